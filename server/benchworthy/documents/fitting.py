"""Lines that fit a width, and the largest size at which a text fits a box."""

from collections.abc import Iterator
from dataclasses import dataclass

from benchworthy.documents.typeface import MM_PER_POINT, Face, advances, width

LEADING = 1.25  # from line to line, in em
_STEP = 0.5  # points between two sizes that are tried


@dataclass(frozen=True, slots=True)
class Fitted:
    """Text broken into lines at a size in points."""

    lines: tuple[str, ...]
    points: float

    @property
    def height(self) -> float:
        return len(self.lines) * leading(self.points)


def leading(points: float) -> float:
    """Millimetres from one line to the next."""
    return points * MM_PER_POINT * LEADING


def wrap(text: str, face: Face, points: float, room: float) -> tuple[str, ...]:
    """Break at spaces; a word that is wider than the room is broken where it must be. At least one line."""
    lines: list[str] = []
    line = ""
    for word in text.split(" "):
        longer = f"{line} {word}" if line else word
        if width(longer, face, points) <= room:
            line = longer
            continue
        if line:
            lines.append(line)
        *full, line = _pieces(word, face, points, room)
        lines += full
    return (*lines, line)


def _pieces(word: str, face: Face, points: float, room: float) -> Iterator[str]:
    """A word cut into pieces that fit; a character wider than the room stands alone."""
    known, em = advances(face), points * MM_PER_POINT
    piece, taken = "", 0.0
    for character in word:
        step = known[character] * em
        if piece and taken + step > room:
            yield piece
            piece, taken = "", 0.0
        piece += character
        taken += step
    yield piece


def fit(text: str, face: Face, room: float, height: float, largest: float, smallest: float) -> Fitted | None:
    """The largest size, in steps of half a point, at which whole words fill at most `height`; None if none fits.

    Only when no size fits without it, words are broken; then the smallest size is used.
    """
    points = largest
    while points >= smallest:
        fitted = Fitted(wrap(text, face, points, room), points)
        if fitted.height <= height and all(width(word, face, points) <= room for word in text.split(" ")):
            return fitted
        points -= _STEP
    fitted = Fitted(wrap(text, face, smallest, room), smallest)
    return fitted if fitted.height <= height and _no_wider(fitted, face, room) else None


def _no_wider(fitted: Fitted, face: Face, room: float) -> bool:
    return all(width(line, face, fitted.points) <= room for line in fitted.lines)
