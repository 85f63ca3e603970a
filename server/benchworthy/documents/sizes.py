"""Sizes of paper, labels and sheets of labels, in millimetres, and what is checked before anything is drawn.

The sizes are generic: measure the sheet at hand, and give its numbers where they differ. The PDF writer is not loaded here:
schemas and commands name these sizes too.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from types import MappingProxyType
from typing import Final

from benchworthy.errors import PrintRefused

A4: Final = (210.0, 297.0)
A5: Final = (148.0, 210.0)
MOST_LABELS: Final = 500  # in one print, a few seconds of work: each code is computed anew
SMALLEST_WIDTH, SMALLEST_HEIGHT = 30.0, 15.0  # mm inside the inset; below, code or serial number cannot be read
_SLACK: Final = 0.01  # mm; sums of sizes with one decimal are not exact


@dataclass(frozen=True, slots=True)
class LabelSize:
    """One label. `inset` stays white on all sides: cutters and printers miss by that much."""

    width: float
    height: float
    inset: float


@dataclass(frozen=True, slots=True)
class LabelSheet:
    """Labels on an A4 sheet: how many, of which size, where the first begins, and the gaps between them."""

    columns: int
    rows: int
    label: LabelSize
    left: float
    top: float
    gap_x: float = 0.0
    gap_y: float = 0.0

    @property
    def places(self) -> int:
        return self.columns * self.rows

    def corner(self, place: int) -> tuple[float, float]:
        """Top left corner of a place, counted from 0, row by row."""
        row, column = divmod(place, self.columns)
        return (
            self.left + column * (self.label.width + self.gap_x),
            self.top + row * (self.label.height + self.gap_y),
        )


SINGLES: Final[Mapping[str, LabelSize]] = MappingProxyType({"62x29": LabelSize(62, 29, 2), "50x25": LabelSize(50, 25, 1.5)})
# Sheets without a margin keep 5 mm inside each label, as most printers cannot reach the edge of the paper.
SHEETS: Final[Mapping[str, LabelSheet]] = MappingProxyType(
    {
        "a4-3x8": LabelSheet(3, 8, LabelSize(70, 37, 5), 0, 0.5),
        "a4-5x13": LabelSheet(5, 13, LabelSize(38.1, 21.2, 1.5), 4.75, 10.7, gap_x=2.5),
    }
)
MOST_PLACES: Final = max(sheet.places for sheet in SHEETS.values())


def checked_label(size: LabelSize) -> LabelSize:
    """Raises PrintRefused for a size on which nothing could stand."""
    _finite(size)
    inner_width, inner_height = size.width - 2 * size.inset, size.height - 2 * size.inset
    if size.inset < 0 or inner_width < SMALLEST_WIDTH or inner_height < SMALLEST_HEIGHT:
        raise PrintRefused(f"A label of {size.width:g} x {size.height:g} mm, {size.inset:g} mm of it white, is too small.")
    if max(size.width, size.height) > A4[1]:
        raise PrintRefused(f"A label of {size.width:g} x {size.height:g} mm is larger than an A4 sheet.")
    return size


def checked_sheet(sheet: LabelSheet) -> LabelSheet:
    """Raises PrintRefused when the labels do not fit on A4."""
    checked_label(sheet.label)
    _finite(sheet)
    if not (1 <= sheet.columns <= 20 and 1 <= sheet.rows <= 40):
        raise PrintRefused(f"{sheet.columns} columns and {sheet.rows} rows make no sheet.")
    if min(sheet.left, sheet.top, sheet.gap_x, sheet.gap_y) < 0:
        raise PrintRefused("A margin or a gap is negative.")
    x, y = sheet.corner(sheet.places - 1)
    wide, high = x + sheet.label.width, y + sheet.label.height
    if wide > A4[0] + _SLACK or high > A4[1] + _SLACK:
        raise PrintRefused(f"The labels end at {wide:.1f} x {high:.1f} mm, beyond A4 ({A4[0]:g} x {A4[1]:g} mm).")
    return sheet


def _finite(size: LabelSize | LabelSheet) -> None:
    given = [getattr(size, field.name) for field in fields(size)]
    if any(isinstance(number, float | int) and not math.isfinite(number) for number in given):
        raise PrintRefused("A size is no finite number.")
