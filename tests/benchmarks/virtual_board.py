"""How long all board tests of the set `plug` take on a virtual board, and how often a bare MicroPython starts meanwhile.

Run as a script: `python tests/benchmarks/virtual_board.py`. Wall times vary with what else the machine does; the ratio
to a bare start of the interpreter, measured in the same minute, varies less.
"""

import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from services.micropython import interpreter
from services.virtual_table import SHEET, table

_ROUNDS = 5


def _timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def _bare() -> None:
    subprocess.run([interpreter(), "-c", "pass"], check=True)


def _plug_set(seed: int | None) -> tuple[float, float, int]:
    """Seconds to power up, seconds for the tests, tests carried out."""
    with tempfile.TemporaryDirectory() as folder:
        begun = time.perf_counter()
        with table(Path(folder), seed) as board:
            ready = time.perf_counter()
            outcomes = board.whole("plug")
            return ready - begun, time.perf_counter() - ready, len(outcomes)


def _line(what: str, seconds: list[float]) -> str:
    low, middle, high = min(seconds), statistics.median(seconds), max(seconds)
    return f"{what:<42} {low:7.3f} {middle:7.3f} {high:7.3f}"


def main() -> None:
    """Print a table of min, median and max of five."""
    bare = [_timed(_bare) for _ in range(_ROUNDS)]
    runs = [_plug_set(seed) for seed in range(1, _ROUNDS + 1)]
    tests = [seconds for _, seconds, _ in runs]
    print(f"{SHEET.name}, set plug, {runs[0][2]} board tests, {_ROUNDS} boards; seconds: min, median, max")
    print(_line("bare start of MicroPython", bare))
    print(_line("start of a virtual board", [seconds for seconds, _, _ in runs]))
    print(_line("all board tests with fixtures and actions", tests))
    print(f"ratio of the medians, tests to bare start: {statistics.median(tests) / statistics.median(bare):.0f}")


if __name__ == "__main__":
    main()
