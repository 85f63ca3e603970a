"""A line of the plan to a reading: the board gives whole numbers, the host counts, compares and checks them."""

import binascii
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final

from benchworthy.bench.probe import Link
from benchworthy.bench.snippets import code, shows, wire
from benchworthy.bench.snippets.code import Ports
from benchworthy.errors import BoardFaulted

BRIEF_S: Final = 15.0
MOST_TEXT: Final = 64
_CRC: Final = 4
Rows = list[list[int]]


def begin(link: Link) -> None:
    """Before anything else: leave a mark in the board's RAM, by which a reset on the way is noticed. Raises BenchFailure."""
    wire.ask(link, code.MARK, BRIEF_S, how="")


def reading(link: Link, line: str, ports: Ports) -> dict[str, Any]:
    """Carry out one line of the plan: the test with `steps`, `not_run` or `error`.

    `ports` is what the plan's first line says of them. What the board's own code raises is an error of this test alone.
    Raises BoardSilent, BoardLost, BoardGarbled: then the board is out of reach.
    """
    told = json.loads(line)
    test, run = str(told["id"]), _PROCEDURES[str(told["p"])]
    try:
        steps = run(link, ports, told["a"])
    except wire.NotThere as fault:
        return {"test": test, "not_run": str(fault)[:MOST_TEXT] or "not there"}
    except BoardFaulted as fault:
        return {"test": test, "error": _last_line(fault)}
    return {"test": test, "steps": [_tally(numbers) for numbers in steps]}


def show(link: Link, ports: Ports, stimulus: Mapping[str, Any]) -> None:
    """Have the board show something to a person; no reading. Raises BenchFailure."""
    shown = stimulus["a"]
    match stimulus["p"]:
        case "blink":
            text = shows.blink(ports, shown["port"], int(shown["count"]))
        case "dark":
            text = shows.dark(ports, shown["ports"], int(shown["count"]))
        case "tone":
            text = shows.tone(ports, shown["port"], shown["pattern"])
        case "turn":
            text = shows.turn(ports, shown["enable"], shown["order"], int(shown["ms"]), _first_lamp(ports))
        case other:
            raise ValueError(f"a bench-driven board cannot show {other!r}")
    try:
        wire.ask(link, text, BRIEF_S)
    except wire.NotThere as fault:
        raise BoardFaulted(f"The board cannot show it: {fault}.", port=link.port) from fault


def _first_lamp(ports: Ports) -> str | None:
    return next((name for name in ports if name.startswith("lamp")), None)


def _last_line(fault: BoardFaulted) -> str:
    lines = str(fault.facts.get("traceback", "")).strip().splitlines() or [fault.detail]
    return lines[-1][:MOST_TEXT] or "no text"


def _tally(numbers: Sequence[int]) -> list[int]:
    """[n, sum, sum of squares, least, greatest]; a row that came back empty is the board's fault."""
    if not numbers:
        raise BoardFaulted("A step came back without numbers.", traceback="a step came back empty")
    return [len(numbers), sum(numbers), sum(n * n for n in numbers), min(numbers), max(numbers)]


def _singles(rows: Rows) -> Rows:
    """Each number of the only row as a step of its own."""
    return [[number] for number in rows[0]]


def _asked(link: Link, text: str, timeout_s: float = BRIEF_S, how: wire.How = "R") -> Rows:
    rows = wire.ask(link, text, timeout_s, how=how)
    if not rows:
        raise BoardFaulted("The board gave no numbers.", port=link.port, traceback="no numbers came")
    return rows


def _levels(link: Link, ports: Ports, a: Mapping[str, Any]) -> Rows:
    return _asked(link, code.levels(ports, a["steps"]))


def _idle(link: Link, ports: Ports, a: Mapping[str, Any]) -> Rows:
    count = int(a["ms"]) // int(a["every_ms"])
    return _asked(link, code.idle(ports, a["ports"], a["pull"], count, int(a["every_ms"])))


def _walk(link: Link, ports: Ports, a: Mapping[str, Any]) -> Rows:
    return _singles(_asked(link, code.walk(ports, a["ports"], a["off"])))


def _switched(link: Link, ports: Ports, a: Mapping[str, Any]) -> Rows:
    return _asked(link, code.switched(ports, a))


def _portions(link: Link, ports: Ports, a: Mapping[str, Any]) -> Rows:
    return _asked(link, code.portions(ports, a))


def _bus_clear(link: Link, ports: Ports, a: Mapping[str, Any]) -> Rows:
    return _asked(link, code.bus_clear(ports, a["data"], a["clock"]))


def _bus_scan(link: Link, ports: Ports, a: Mapping[str, Any]) -> Rows:
    return _singles(_asked(link, code.bus_scan(ports, a["data"], a["clock"], int(a["hertz"]))))


def _bus_memory(link: Link, ports: Ports, a: Mapping[str, Any]) -> Rows:
    """A reading is an error when a row did not answer, or when the content is not what its own CRC-32 says."""
    rows = _asked(link, code.bus_memory(ports, a))
    each = -(-int(a["size"]) // code.ROW)
    contents = [[octet for row in rows[start : start + each] for octet in row] for start in range(0, len(rows), each)]
    wrong = [int(not _is_whole(octets, int(a["size"]))) for octets in contents]
    times = int(a["times"])
    return [[sum(wrong[start : start + times])] for start in range(0, len(wrong), times)]


def _is_whole(octets: Iterable[int], size: int) -> bool:
    content = bytes(octets)
    return len(content) == size and binascii.crc32(content[:-_CRC]).to_bytes(_CRC, "big") == content[-_CRC:]


def _memory_free(link: Link, ports: Ports, a: Mapping[str, Any]) -> Rows:
    return _asked(link, code.MEMORY_FREE, how="")


def _boots(link: Link, ports: Ports, a: Mapping[str, Any]) -> Rows:
    return _asked(link, code.MARK_GONE, how="")


def _flash(link: Link, ports: Ports, a: Mapping[str, Any]) -> Rows:
    return _singles(_asked(link, code.flash(int(a["bytes"]))))


def _presses(link: Link, ports: Ports, a: Mapping[str, Any]) -> Rows:
    text = code.presses(ports, a["port"], a["lamp"], int(a["count"]), int(a["ms"]))
    return _asked(link, text, int(a["ms"]) / 1000 + BRIEF_S)


_PROCEDURES: Final[Mapping[str, Callable[[Link, Ports, Mapping[str, Any]], Rows]]] = {
    "levels": _levels,
    "idle": _idle,
    "walk": _walk,
    "switched": _switched,
    "portions": _portions,
    "bus_clear": _bus_clear,
    "bus_scan": _bus_scan,
    "bus_memory": _bus_memory,
    "memory_free": _memory_free,
    "boots": _boots,
    "flash": _flash,
    "presses": _presses,
}
