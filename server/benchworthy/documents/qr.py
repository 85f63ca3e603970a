"""QR codes (ISO/IEC 18004), level M, drawn as one vector path: no image, no seams between the squares."""

from dataclasses import dataclass
from typing import Final

import segno
from segno.encoder import DataOverflowError

from benchworthy.documents.paper import Paper
from benchworthy.errors import PrintRefused

QUIET: Final = 4  # modules of white on each side, as the standard asks
SMALLEST_MODULE: Final = 0.3  # mm; a phone's camera and an office printer still manage this
TOKEN_VERSION: Final = 26  # a certificate's token: 121 modules, 1059 bytes at level M


@dataclass(frozen=True, slots=True)
class Code:
    """The dark modules, row by row, and the version that was needed."""

    rows: tuple[tuple[bool, ...], ...]
    version: int

    @property
    def modules(self) -> int:
        """Modules from edge to edge, quiet zone included."""
        return len(self.rows) + 2 * QUIET


def encode(text: str, most_version: int = TOKEN_VERSION) -> Code:
    """The smallest code that holds `text`. Raises PrintRefused when it would be larger than `most_version`."""
    try:
        made = segno.make_qr(text, error="m", boost_error=False)
    except DataOverflowError:
        made = None
    if made is None or int(made.version) > most_version:
        raise PrintRefused(f"{len(text)} characters do not fit into a QR code of version {most_version}, level M.")
    return Code(tuple(tuple(bool(module) for module in row) for row in made.matrix), int(made.version))


def draw(paper: Paper, code: Code, x: float, y: float, side: float, alt: str) -> None:
    """Draw the code with its quiet zone into a square. `alt` says in words what the code holds."""
    module = side / code.modules
    runs = []
    for number, row in enumerate(code.rows):
        start = 0
        while start < len(row):
            end = start
            while end < len(row) and row[end] == row[start]:
                end += 1
            if row[start]:
                runs.append((x + (start + QUIET) * module, y + (number + QUIET) * module, (end - start) * module, module))
            start = end
    with paper.tagged("Figure", alt):
        paper.box(x, y, side, side, shade=255)
        paper.squares(runs)
