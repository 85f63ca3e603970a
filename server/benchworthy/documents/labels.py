"""Labels for carriers: the serial number large with its check character apart, the design, and a code that holds only the
address of the board's certificate page. A label never says that a board is fit: it outlives every certificate.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from benchworthy.documents import qr, wording
from benchworthy.documents.checks import checked_address, checked_serial
from benchworthy.documents.fitting import fit, leading
from benchworthy.documents.flow import put_lines
from benchworthy.documents.paper import GREY, Paper
from benchworthy.documents.sizes import A4, MOST_LABELS, LabelSheet, LabelSize, checked_label, checked_sheet
from benchworthy.documents.typeface import MM_PER_POINT, Face, shown, width
from benchworthy.errors import PrintRefused

HINT: Final = "Fit to lend? Scan."
_LARGEST, _SMALLEST_SERIAL = 30.0, 7.0
_LARGE = 12.0  # points: read at arm's length
_LARGEST_DESIGN, _SMALLEST_DESIGN = 10.0, 5.0
_HINT_POINTS = 5.5
_APART = 0.35  # em before the check character
_CAPITAL = 0.7  # height of a capital, in em


@dataclass(frozen=True, slots=True)
class Label:
    """What one label says."""

    serial: str
    design: str
    url: str
    virtual: bool = False


@dataclass(frozen=True, slots=True)
class _Serial:
    """A serial number broken into lines of about equal length, and the size at which they fit."""

    lines: tuple[str, ...]
    points: float

    @property
    def height(self) -> float:
        return len(self.lines) * self.points * MM_PER_POINT * (_CAPITAL + 0.25)


@dataclass(frozen=True, slots=True)
class _Layout:
    """A label ready to be drawn; coordinates count from its own corner."""

    label: Label
    size: LabelSize
    code: qr.Code
    side: float
    x: float
    serial: _Serial
    design: tuple[str, ...]
    design_points: float


def single_pdf(label: Label, size: LabelSize, at: datetime) -> bytes:
    """One label on a page of its own size, for a label printer. Raises PrintRefused, SerialInvalid."""
    return singles_pdf([label], size, at)


def singles_pdf(labels: Sequence[Label], size: LabelSize, at: datetime) -> bytes:
    """Labels one after the other, each on a page of its own. Raises PrintRefused, SerialInvalid; then nothing is printed."""
    checked_label(size)
    _checked_count(labels)
    ready = [_laid_out(label, size) for label in labels]
    title = f"Label of {labels[0].serial}" if len(labels) == 1 else f"{len(labels)} labels"
    paper = Paper((size.width, size.height), title, at)
    for layout in ready:
        paper.add_page()
        _draw(paper, layout, 0, 0)
    return paper.made()


def sheets_pdf(labels: Sequence[Label], sheet: LabelSheet, first: int, at: datetime) -> bytes:
    """Labels on A4 sheets. `first` is the first free place of the first sheet, counted from 1, row by row.

    Raises PrintRefused, SerialInvalid; then nothing is printed, so no sheet is spoilt by half.
    """
    checked_sheet(sheet)
    _checked_count(labels)
    if not 1 <= first <= sheet.places:
        raise PrintRefused(f"This sheet has the places 1 to {sheet.places}, not {first}.")
    ready = [_laid_out(label, sheet.label) for label in labels]
    paper = Paper(A4, f"{len(labels)} labels", at)
    for number, layout in enumerate(ready, start=first - 1):
        place = number % sheet.places
        if place == 0 or number == first - 1:
            paper.add_page()
        _draw(paper, layout, *sheet.corner(place))
    return paper.made()


def _checked_count(labels: Sequence[Label]) -> None:
    if not 1 <= len(labels) <= MOST_LABELS:
        raise PrintRefused(f"{len(labels)} labels: print 1 to {MOST_LABELS} at a time.")


def _laid_out(label: Label, size: LabelSize) -> _Layout:
    made = qr.encode(checked_address(label.url), most_version=12)
    inner_width, inner_height = size.width - 2 * size.inset, size.height - 2 * size.inset
    side = min(inner_height, inner_width * 0.5)
    if side / made.modules < qr.SMALLEST_MODULE:
        raise PrintRefused(
            f"An address of {len(label.url)} characters makes squares of {side / made.modules:.2f} mm on this label; "
            f"below {qr.SMALLEST_MODULE} mm they are not read safely."
        )
    x = size.inset + side + 0.5
    room = size.width - size.inset - x
    below = leading(_HINT_POINTS) if not label.virtual else 4.0
    serial = _serial(checked_serial(label.serial), room, inner_height * 0.55)
    name = shown(label.design, 200)
    fitted = fit(name, Face.PLAIN, room, inner_height - serial.height - below - 0.8, _LARGEST_DESIGN, _SMALLEST_DESIGN)
    if fitted is None:
        raise PrintRefused(f"The design's name {name[:60]!r} does not fit on a label of {size.width:g} x {size.height:g} mm.")
    return _Layout(label, size, made, side, x, serial, fitted.lines, fitted.points)


def _serial(serial: str, room: float, height: float) -> _Serial:
    """On one line where that is large enough; else on two or three, whichever lets it be largest."""
    best: _Serial | None = None
    for count in (1, 2, 3):
        lines = _split(serial, count)
        points = min(_LARGEST, min(room / _wide(line, line is lines[-1]) for line in lines))
        while points >= _SMALLEST_SERIAL and _Serial(lines, points).height > height:
            points -= 0.25
        if points >= _SMALLEST_SERIAL and (best is None or points > best.points):
            best = _Serial(lines, points)
        if best is not None and best.points >= _LARGE:
            break
    if best is None:
        raise PrintRefused(f"The serial number {serial} does not fit on the label at a size that can be read.")
    return best


def _split(serial: str, count: int) -> tuple[str, ...]:
    each = -(-len(serial) // count)
    return tuple(serial[start : start + each] for start in range(0, len(serial), each))


def _wide(line: str, last: bool) -> float:
    """Millimetres for each point of size."""
    return width(line, Face.BOLD, 1) + (_APART * MM_PER_POINT if last else 0)


def _draw(paper: Paper, ready: _Layout, x: float, y: float) -> None:
    size, points = ready.size, ready.serial.points
    qr.draw(paper, ready.code, x + size.inset, y + (size.height - ready.side) / 2, ready.side, f"QR code: {ready.label.url}")
    left, em = x + ready.x, points * MM_PER_POINT
    with paper.tagged("H1"):
        for number, line in enumerate(ready.serial.lines):
            base = y + size.inset + em * (_CAPITAL + number * (_CAPITAL + 0.25))
            if line is not ready.serial.lines[-1]:
                paper.put_marks(line, left, base, points)
                continue
            paper.put_marks(line[:-1], left, base, points)
            paper.put_marks(line[-1], left + width(line[:-1], Face.BOLD, points) + _APART * em, base, points)
    with paper.tagged("P"):
        put_lines(paper, ready.design, left, y + size.inset + ready.serial.height + 0.4, ready.design_points)
    _foot(paper, ready, left, y + size.height - size.inset, x + size.width - size.inset - left)


def _foot(paper: Paper, ready: _Layout, left: float, bottom: float, room: float) -> None:
    with paper.tagged("P"):
        if ready.label.virtual:
            paper.box(left, bottom - 3.4, room, 3.4)
            paper.put(wording.VIRTUAL, left + 0.8, bottom - 0.7, 8, Face.BOLD, 255)
        else:
            paper.put(HINT, left, bottom - 0.5, _HINT_POINTS, Face.PLAIN, GREY)
