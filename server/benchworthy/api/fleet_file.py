"""A fleet in a CSV file: bytes to lines, each a board to enrol or what is wrong with it."""

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any, Final

from marshmallow import ValidationError

from benchworthy.acts.enrolling import Enrolment
from benchworthy.acts.importing import Line
from benchworthy.api.schemas import NewBoard
from benchworthy.errors import ImportRefused

COLUMNS: Final = frozenset(NewBoard._declared_fields)
NEEDED: Final = frozenset({"serial", "design"})
MOST_LINES: Final = 1000
_TRUTH: Final = {"": False, "false": False, "no": False, "0": False, "true": True, "yes": True, "1": True}


def read(raw: bytes) -> Sequence[Line]:
    """The lines of a file, with commas or semicolons between. Raises ImportRefused when it is no such file at all."""
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        raise ImportRefused(f"The file is not UTF-8 (byte {fault.start + 1}).") from fault
    first = text.partition("\n")[0]
    reader = csv.DictReader(
        io.StringIO(text, newline=""), delimiter=";" if first.count(";") > first.count(",") else ",", strict=True
    )
    try:
        _look_at_columns(reader.fieldnames or ())
        lines = [_line(reader.line_num, row) for row in reader]
    except csv.Error as fault:
        raise ImportRefused(f"Line {reader.line_num} is no CSV: {fault}.") from fault
    if not 1 <= len(lines) <= MOST_LINES:
        raise ImportRefused(f"A file holds 1 to {MOST_LINES} boards; this has {len(lines)}.")
    return lines


def _look_at_columns(names: Sequence[str]) -> None:
    unknown, missing = sorted(set(names) - COLUMNS), sorted(NEEDED - set(names))
    if unknown or missing or len(set(names)) != len(names):
        told = f"The first line names the columns {', '.join(sorted(COLUMNS))}, each once; serial and design are needed."
        raise ImportRefused(told, unknown=unknown, missing=missing)


def _line(number: int, row: Mapping[str | None, Any]) -> Line:
    serial = str(row.get("serial") or "")[:64]
    if None in row or None in row.values():
        return Line(number, serial, None, "The line has another number of cells than the first.")
    cells = {name: cell.strip() for name, cell in row.items() if name is not None}
    told = {name: _TRUTH.get(cells.pop(name, "").lower()) for name in ("virtual", "staged")}
    for name, value in told.items():
        if value is None:
            return Line(number, serial, None, f"{name} is true or false.")
    try:
        board = NewBoard().load({**{name: cell for name, cell in cells.items() if cell}, **told})
    except ValidationError as fault:
        return Line(number, serial, None, "; ".join(f"{name}: {' '.join(map(str, told))}" for name, told in _told(fault)))
    return Line(number, board["serial"], Enrolment(**board))


def _told(fault: ValidationError) -> list[tuple[str, Any]]:
    messages = fault.messages if isinstance(fault.messages, dict) else {"line": fault.messages}
    return sorted(messages.items())
