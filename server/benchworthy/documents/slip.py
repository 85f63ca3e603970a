"""The loan slip that goes with a board: what is in the box, how to see that it works, what not to do, until when, whom to
tell. Its code of eight characters lets the borrower send one remark from the public page; it names no person.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from typing import Final

from benchworthy.documents import qr, wording
from benchworthy.documents.checks import checked_address, checked_code, checked_serial
from benchworthy.documents.fitting import fit, leading, wrap
from benchworthy.documents.flow import put_lines
from benchworthy.documents.paper import BLACK, GREY, Paper
from benchworthy.documents.sizes import A4, A5
from benchworthy.documents.typeface import MM_PER_POINT, Face, shown, width
from benchworthy.errors import PrintRefused

MOST_SLIPS: Final = 200
_DAYS: Final = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")  # strftime asks the locale
_LARGEST, _SMALLEST = 11.0, 7.0
_EDGE = 10.0
_CODE = 30.0
_BULLET = 3.5
_COLUMN_GAP = 8.0


class Form(StrEnum):
    """A5 sheets, or A4 sheets cut across the middle with a slip on each half."""

    A5 = "a5"
    HALF_A4 = "half-a4"


@dataclass(frozen=True, slots=True)
class LoanSlip:
    """One slip. `url` is the public page where the code is taken."""

    serial: str
    design: str
    site: str
    due: date
    code: str
    url: str
    box: tuple[str, ...]
    works: tuple[str, ...] = wording.SLIP_WORKS
    never: tuple[str, ...] = wording.SLIP_NEVER
    cautions: tuple[str, ...] = wording.SLIP_CAUTIONS
    virtual: bool = False


@dataclass(frozen=True, slots=True)
class _Area:
    """Where on a page one slip stands, and in how many columns its lists are set."""

    x: float
    y: float
    wide: float
    high: float
    columns: int


@dataclass(frozen=True, slots=True)
class _List:
    """A heading and its points, broken into lines at one size."""

    title: str
    points: tuple[tuple[str, ...], ...]
    size: float

    @property
    def height(self) -> float:
        lines = sum(len(point) for point in self.points)
        return leading(self.size + 1) + lines * leading(self.size) + len(self.points) * 0.5 + 2.5


def slips_pdf(slips: Sequence[LoanSlip], form: Form, at: datetime) -> bytes:
    """One slip for each board, a class set in one file. Raises PrintRefused, SerialInvalid."""
    if not 1 <= len(slips) <= MOST_SLIPS:
        raise PrintRefused(f"{len(slips)} slips: print 1 to {MOST_SLIPS} at a time.")
    areas = _areas(form)
    ready = [_laid_out(slip, areas[0]) for slip in slips]
    title = f"Loan slip of {slips[0].serial}" if len(slips) == 1 else f"{len(slips)} loan slips"
    paper = Paper(A5 if form is Form.A5 else A4, title, at)
    for number, (slip, made, lists) in enumerate(ready):
        area = areas[number % len(areas)]
        if area is areas[0]:
            paper.add_page()
            if form is Form.HALF_A4:
                with paper.aside():
                    paper.rule(4, A4[1] / 2, A4[0] - 8, dash=1.5)
        _draw(paper, slip, made, lists, area)
    return paper.made()


def _areas(form: Form) -> tuple[_Area, ...]:
    if form is Form.A5:
        return (_Area(_EDGE, _EDGE, A5[0] - 2 * _EDGE, A5[1] - 2 * _EDGE, 1),)
    half = A4[1] / 2
    return tuple(_Area(_EDGE, top + _EDGE, A4[0] - 2 * _EDGE, half - 2 * _EDGE, 2) for top in (0.0, half))


def _laid_out(slip: LoanSlip, area: _Area) -> tuple[LoanSlip, qr.Code, tuple[tuple[_List, ...], ...]]:
    """The largest size at which all lists fit, and the code. Raises PrintRefused, SerialInvalid."""
    checked_serial(slip.serial)
    checked_code(slip.code)
    made = qr.encode(checked_address(slip.url), most_version=12)
    room = (area.wide - _COLUMN_GAP * (area.columns - 1)) / area.columns
    size = _LARGEST
    while size >= _SMALLEST:
        columns = _columns(slip, room, size, area.columns)
        tallest = max(sum(entry.height for entry in column) for column in columns)
        if _head_height(slip) + tallest + _foot_height(area) <= area.high:
            return slip, made, columns
        size -= 0.5
    raise PrintRefused(f"What the slip of {slip.serial} has to say does not fit on half an A4 page.")


def _columns(slip: LoanSlip, room: float, size: float, count: int) -> tuple[tuple[_List, ...], ...]:
    """Four lists in one column, or two and two."""
    told = (
        ("In the box", slip.box),
        ("How to see that it works", slip.works),
        ("Please never", slip.never),
        ("Take care", slip.cautions),
    )
    lists = tuple(_List(title, _points(texts, room, size), size) for title, texts in told if texts)
    return (lists,) if count == 1 else (lists[: (len(lists) + 1) // 2], lists[(len(lists) + 1) // 2 :])


def _points(texts: Sequence[str], room: float, size: float) -> tuple[tuple[str, ...], ...]:
    return tuple(wrap(shown(text, 400), Face.PLAIN, size, room - _BULLET) for text in texts)


def _head_height(slip: LoanSlip) -> float:
    return _CODE + 18 + (9 if slip.virtual else 0)


def _foot_height(area: _Area) -> float:
    return sum(len(lines) for lines in _foot(area)) * leading(8) + 3


def _foot(area: _Area) -> Iterator[tuple[str, ...]]:
    for text in (wording.SLIP_TELL, wording.SLIP_WIPE):
        yield wrap(text, Face.PLAIN, 8, area.wide)


def _draw(paper: Paper, slip: LoanSlip, made: qr.Code, columns: Sequence[Sequence[_List]], area: _Area) -> None:
    y = area.y
    if slip.virtual:
        told = f"{wording.VIRTUAL}: {wording.VIRTUAL_MEANS}"
        with paper.tagged("P"):
            paper.box(area.x, y, area.wide, 7.5)
            paper.put(told, area.x + 2, y + 5.4, min(12, (area.wide - 4) / width(told, Face.BOLD, 1)), Face.BOLD, 255)
        y += 9
    _head(paper, slip, made, area, y)
    top = area.y + _head_height(slip)
    room = (area.wide - _COLUMN_GAP * (area.columns - 1)) / area.columns
    for number, column in enumerate(columns):
        y = top
        for entry in column:
            _list(paper, entry, area.x + number * (room + _COLUMN_GAP), y)
            y += entry.height
    y = area.y + area.high - _foot_height(area) + 3
    for lines in _foot(area):
        with paper.tagged("P"):
            put_lines(paper, lines, area.x, y, 8)
        y += len(lines) * leading(8)


def _head(paper: Paper, slip: LoanSlip, made: qr.Code, area: _Area, y: float) -> None:
    room = area.wide - _CODE - 4
    named = fit(f"{shown(slip.design, 80)}, lent by {shown(slip.site, 80)}", Face.PLAIN, room, 9, 10, 6)
    if named is None:
        raise PrintRefused(f"The names of design and site do not fit on the slip of {slip.serial}.")
    with paper.tagged("H1"):
        paper.put("On loan to you: board", area.x, y + 4, 11)
        points = min(24.0, room / (width(slip.serial, Face.BOLD, 1) + 0.35 * MM_PER_POINT))
        paper.put_marks(slip.serial[:-1], area.x, y + 13, points)
        apart = width(slip.serial[:-1], Face.BOLD, points) + 0.35 * points * MM_PER_POINT
        paper.put_marks(slip.serial[-1], area.x + apart, y + 13, points)
    with paper.tagged("P"):
        put_lines(paper, named.lines, area.x, y + 15.5, named.points)
    with paper.tagged("P"):
        paper.put("Bring it back by", area.x, y + 28.5, 10)
        paper.put(f"{_DAYS[slip.due.weekday()]}, {slip.due.isoformat()}", area.x + 30, y + 28.5, 13, Face.BOLD)
    qr.draw(paper, made, area.x + area.wide - _CODE, y - 1, _CODE, f"QR code: {slip.url}")
    _remark(paper, slip, area, y + _CODE + 2)


def _remark(paper: Paper, slip: LoanSlip, area: _Area, y: float) -> None:
    """The code in two groups of four, and where it is used."""
    paper.frame(area.x, y, area.wide, 11, BLACK, 0.5)
    with paper.tagged("P"):
        paper.put("Code for a remark", area.x + 2, y + 4.6, 9)
        paper.put("good for this loan only", area.x + 2, y + 8.6, 7, Face.PLAIN, GREY)
        paper.put_marks(slip.code[:4], area.x + 36, y + 7.9, 18)
        paper.put_marks(slip.code[4:], area.x + 36 + width(slip.code[:4] + "n", Face.BOLD, 18), y + 7.9, 18)
    address = fit(slip.url, Face.PLAIN, area.wide - 84, 9, 8, 4)
    if address is None:
        raise PrintRefused(f"An address of {len(slip.url)} characters does not fit on the slip.")
    with paper.tagged("P"):
        put_lines(paper, address.lines, area.x + 82, y + (11 - address.height) / 2, address.points)


def _list(paper: Paper, entry: _List, x: float, y: float) -> None:
    with paper.tagged("H2"):
        put_lines(paper, (entry.title,), x, y, entry.size + 1, Face.BOLD)
    y += leading(entry.size + 1)
    for point in entry.points:
        with paper.tagged("P"):
            paper.box(x + 0.8, y + leading(entry.size) * 0.42, 1, 1)
            put_lines(paper, point, x + _BULLET, y, entry.size)
        y += len(point) * leading(entry.size) + 0.5
