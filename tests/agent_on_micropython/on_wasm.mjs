// Runs a script on MicroPython in WebAssembly: node on_wasm.mjs PACKAGE SCRIPT GIVEN NAME=PATH ...
// Each NAME=PATH puts a file at a place that this MicroPython can import from; GIVEN is what the script finds as `given`.
import { readFileSync } from "node:fs";
import { pathToFileURL } from "node:url";

const [location, script, given, ...files] = process.argv.slice(2);
const { loadMicroPython } = await import(pathToFileURL(location + "/micropython.mjs").href);
const python = await loadMicroPython({ heapsize: 256 * 1024, linebuffer: true, stdout: (line) => console.log(line) });

for (const each of files) {
    const [name, path] = each.split("=", 2);
    const parts = ("/lib/" + name).split("/").slice(1, -1);
    let folder = "";
    for (const part of parts) {
        folder += "/" + part;
        if (!python.FS.analyzePath(folder).exists) {
            python.FS.mkdir(folder);
        }
    }
    python.FS.writeFile("/lib/" + name, readFileSync(path));
}
python.globals.set("given", given);
python.runPython("import sys\nif '/lib' not in sys.path: sys.path.append('/lib')");
python.runPython(readFileSync(script, "utf8"));
