"""Many boards come onto the record at once: all of them or none."""

from collections.abc import Sequence
from dataclasses import dataclass

from benchworthy.acts import enrolling
from benchworthy.acts.enrolling import Enrolment
from benchworthy.errors import BenchworthyError, ImportRefused
from benchworthy.ports import Services, Work


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the file: its number there, and the board, or what is wrong with the line itself."""

    number: int
    serial: str
    wanted: Enrolment | None
    wrong: str | None = None


@dataclass(frozen=True, slots=True)
class LineTold:
    line: int
    serial: str
    wrong: str | None


@dataclass(frozen=True, slots=True)
class Told:
    """Every line with what is wrong with it, if anything; and how many boards were enrolled, 0 when only looked at."""

    enrolled: int
    lines: tuple[LineTold, ...]


def look(lines: Sequence[Line], work: Work, services: Services) -> Told:
    """What an import would say, with nothing written."""
    serials: set[str] = set()
    others: set[tuple[str, str]] = set()
    told = [LineTold(line.number, line.serial, _wrong(line, serials, others, work, services)) for line in lines]
    return Told(0, tuple(told))


def enrol_all(lines: Sequence[Line], holder: str, work: Work, services: Services) -> Told:
    """Enrol every board. Raises ImportRefused, with every line at fault, when there is one."""
    looked = look(lines, work, services).lines
    wrong = {str(line.line): [line.wrong] for line in looked if line.wrong}
    if wrong:
        raise ImportRefused(f"{len(wrong)} of {len(looked)} lines cannot be enrolled.", errors=wrong)
    for line in lines:
        assert line.wanted is not None
        enrolling.enrol(line.wanted, holder, work, services)
    return Told(len(looked), looked)


def _wrong(line: Line, serials: set[str], others: set[tuple[str, str]], work: Work, services: Services) -> str | None:
    """The first thing that is wrong with a line, among those before it and with what is on record."""
    if line.wanted is None:
        return line.wrong
    own = {(name, value) for name in ("inventory_ref", "module") if (value := getattr(line.wanted, name))}
    twice = line.wanted.serial in serials or bool(own & others)
    serials.add(line.wanted.serial)
    others |= own
    if twice:
        return "A line above has this serial number, inventory_ref or module already."
    try:
        enrolling.check(line.wanted, work, services)
    except BenchworthyError as fault:
        return fault.detail
    return None
