"""The typeface of everything printed: Fira Sans, whose licence (SIL OFL 1.1) allows embedding, from its package.

Text that comes from outside passes `shown` before it is drawn: what the typeface lacks, and every character that steers
a terminal or the direction of writing, is spelled out as [U+hex] instead of vanishing or rearranging its neighbours.
"""

import unicodedata
from collections.abc import Mapping
from enum import StrEnum
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Final

from fontTools.ttLib import TTFont

PACKAGE: Final = "fontpkg_fira_sans"
MM_PER_POINT: Final = 25.4 / 72
CUT: Final = "…"


class Face(StrEnum):
    """The two weights in use."""

    PLAIN = "Regular"
    BOLD = "Bold"


def path_of(face: Face) -> Path:
    """Where the font file lies."""
    return Path(str(files(PACKAGE))) / "files" / f"FiraSans-{face}.ttf"


@cache
def advances(face: Face) -> Mapping[str, float]:
    """Each character that the face can show, and its advance in em."""
    with TTFont(path_of(face), lazy=True) as font:
        em, metrics = font["head"].unitsPerEm, font["hmtx"]
        return {chr(point): metrics[glyph][0] / em for point, glyph in font.getBestCmap().items()}


def width(text: str, face: Face, points: float) -> float:
    """Millimetres that `text` takes; it holds only what `shown` lets through."""
    known = advances(face)
    return sum(known[character] for character in text) * points * MM_PER_POINT


def shown(text: str, most: int = 600) -> str:
    """`text` on one line, as it can be printed: at most `most` characters, cut with an ellipsis."""
    # Whatever is cut off later need not be looked at: an attacker's megabyte costs no more than a line.
    flat = " ".join(unicodedata.normalize("NFC", text[: 4 * most + 4]).split())
    told: list[str] = []
    length = 0
    for character in flat:
        piece = character if _printable(character) else f"[U+{ord(character):04X}]"
        if length + len(piece) > most:
            return "".join(told) + CUT
        told.append(piece)
        length += len(piece)
    return "".join(told) if len(text) <= 4 * most + 4 else "".join(told) + CUT


@cache
def _printable(character: str) -> bool:
    """A marking that stands on its neighbour (Mn) would need shaping, which this writer does not do."""
    if character == " ":
        return True
    plain = character.isprintable() and unicodedata.category(character) not in ("Mn", "Me", "Mc")
    return plain and all(character in advances(face) for face in Face)
