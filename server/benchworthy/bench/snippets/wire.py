"""Code to a board and numbers back, over a wire that loses bytes without telling.

The raw REPL of MicroPython 1.9 has no flow control: one call in some hundred arrives with a byte missing, and would run as
different code. So code goes over as text in small parts, each checked on the board before anything runs, and every line of
numbers carries its count and a check. What does not hold is sent again, a few times.
"""

from collections.abc import Callable
from typing import Final, Literal

from benchworthy.bench.probe import Link
from benchworthy.bench.snippets.code import CUT, HELPERS
from benchworthy.errors import BoardFaulted, BoardGarbled, BoardSilent

TRIES: Final = 6
MOST_PART: Final = 270  # characters between two cuts; a board of 9 kB heap has to parse them beside what it holds
PUT_S: Final = 4.0
NUMBERS: Final = "=BS= "
LACKING: Final = "=BN= "
END: Final = "=BE= "
_BASE, _MASK = 33, 0xFFFFFF  # products stay within 31 bits, the small integers of the board

_START: Final = "import gc\n_u=0;_t={}\ngc.collect()\n"  # before the first part
# A collection in the middle of a line costs bytes of it: a controller that is busy for milliseconds overruns its buffer of
# 64. So each line leaves the memory tidy for the next.
_PART: Final = """\
_u={part!r}
h=0
for c in _u:h=(h*33+ord(c))&16777215
if h!={check}:raise ValueError('garbled')
_t[{at}]=_u
gc.collect()
"""
# A part that is sent twice counts once, by its number; its text is let go when it runs.
_COUNT: Final = "_u=0\nif len(_t)!=%d:raise ValueError('garbled')\n"
_RUN: Final = {"R": "R(_t)\n", "exec": "for i in range(len(_t)):exec(_t.pop(i))\n"}
# Code that arrived whole runs by `exec`, so what it raises comes from here; all else was raised by a damaged line.
_WHOLE: Final = '"<string>"'

How = Literal["R", "exec", ""]


class NotThere(Exception):
    """The board says that it has no such thing; the text is its reason. Stays inside this package."""


def ask(link: Link, code: str, timeout_s: float, on_line: Callable[[str], None] | None = None, how: How = "R") -> list[list[int]]:
    """Run code on the board and return the lines of numbers it prints; `timeout_s` bounds its run.

    `how` is R for code that uses the helpers, exec for code that does all by itself, "" for a few lines of such code in
    which any damage shows: they go over as they are and cost no memory. Raises NotThere, BoardFaulted for what the code
    itself raised, BoardGarbled when the wire damages every try, BoardSilent, BoardLost.
    """
    silent = 0
    helpless = False
    for _ in range(TRIES):
        try:
            if helpless:
                _help(link)
                helpless = False
            answer = _read(link.call(put(link, code, how) if how else code, timeout_s, on_line))
        except BoardFaulted as fault:
            if not _is_damage(fault):
                raise
            # The helpers may be what is missing: nothing was run yet, or the board started anew.
            helpless = how == "R"
            continue
        except BoardSilent:
            # The mark that ends a piece of code can be what was lost; then the board waits for ever, once.
            silent += 1
            if silent > 1:
                raise
            continue
        if answer is not None:
            return answer
    raise _garbled(link)


def put(link: Link, code: str, run: How = "exec") -> str:
    """Bring code to the board part by part, each checked there; the call that runs it."""
    parts = code.split(CUT)
    if max(map(len, parts)) > MOST_PART:
        raise ValueError(f"a part of {max(map(len, parts))} characters for a board that can parse {MOST_PART} at a time")
    for at, part in enumerate(parts):
        line = _PART.format(part=part, check=check([ord(c) for c in part]), at=at)
        _surely(link, line if at else _START + line)
    return _COUNT % len(parts) + _RUN[run]


def _surely(link: Link, line: str) -> None:
    """Call a line of the bench's own that raises nothing if it is whole."""
    for turn in range(1, TRIES + 1):
        try:
            link.call(line, PUT_S)
            return
        except BoardFaulted as fault:
            if turn == TRIES:
                raise _garbled(link) from fault


def _help(link: Link) -> None:
    for _ in range(TRIES):
        try:
            link.call(put(link, HELPERS), PUT_S)
            return
        except BoardFaulted as fault:
            if not _is_damage(fault):
                raise
    raise _garbled(link)


def _garbled(link: Link) -> BoardGarbled:
    return BoardGarbled(f"What is sent to the board does not arrive whole, {TRIES} times in a row.", port=link.port)


def check(numbers: list[int] | bytes) -> int:
    """The check of a row of numbers, as the board computes it."""
    value = 0
    for number in numbers:
        value = (value * _BASE + number) & _MASK
    return value


def _is_damage(fault: BoardFaulted) -> bool:
    return _WHOLE not in str(fault.facts.get("traceback", ""))


def _read(lines: list[str]) -> list[list[int]] | None:
    """The numbers of an answer; None when it is not whole."""
    found: list[list[int]] = []
    for line in lines:
        if line.startswith(LACKING):
            length, _, reason = line[len(LACKING) :].partition(" ")
            if length == str(len(reason)):
                raise NotThere(reason)
        elif line.startswith(NUMBERS):
            numbers = _numbers(line[len(NUMBERS) :])
            if numbers is None:
                return None
            found.append(numbers)
        elif line.startswith(END):
            return found if line[len(END) :].strip() == str(len(found)) else None
    return None


def _numbers(text: str) -> list[int] | None:
    """`v v ... n check` as the n numbers; None when count or check does not fit."""
    try:
        *numbers, count, told = (int(word) for word in text.split())
    except ValueError:
        return None
    return numbers if count == len(numbers) and told == check(numbers) else None
