"""Blocks one below the other, and how they fall on pages. What a page holds is known before anything is drawn."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from benchworthy.documents.fitting import leading, wrap
from benchworthy.documents.paper import BLACK, Paper
from benchworthy.documents.typeface import MM_PER_POINT, Face

ASCENT = 0.95  # from the top of a line to its baseline, in em


@dataclass(frozen=True, slots=True)
class Block:
    """Something of a known height. `with_next` keeps it on the page of the block that follows; `again` is drawn once more
    above it when it starts a page (the head of a table)."""

    height: float
    draw: Callable[[Paper, float], None]
    with_next: bool = False
    again: "Block | None" = None


def paginate(blocks: Sequence[Block], first: float, room: float) -> list[list[Block]]:
    """Pages of blocks; the first page has its own room."""
    pages: list[list[Block]] = [[]]
    left = first
    for place, block in enumerate(blocks):
        together = _chain(blocks, place, room)
        if together > left and pages[-1]:
            pages.append([])
            left = room
            if block.again is not None:
                pages[-1].append(block.again)
                left -= block.again.height
        pages[-1].append(block)
        left -= block.height
    return pages


def _chain(blocks: Sequence[Block], place: int, room: float) -> float:
    """The height that a block needs with all that must stay with it; a chain longer than a page stays with nothing."""
    total = 0.0
    for block in blocks[place:]:
        total += block.height
        if total > room:
            return blocks[place].height
        if not block.with_next:
            break
    return total


def paragraph(
    text: str,
    x: float,
    room: float,
    points: float,
    face: Face = Face.PLAIN,
    *,
    kind: str = "P",
    above: float = 0.0,
    below: float = 1.5,
    shade: int = BLACK,
    with_next: bool = False,
    again: Block | None = None,
) -> Block:
    """A text in as many lines as it takes."""
    lines = wrap(text, face, points, room)

    def draw(paper: Paper, y: float) -> None:
        with paper.tagged(kind):
            put_lines(paper, lines, x, y + above, points, face, shade)

    return Block(above + len(lines) * leading(points) + below, draw, with_next, again)


def put_lines(
    paper: Paper, lines: Sequence[str], x: float, y: float, points: float, face: Face = Face.PLAIN, shade: int = BLACK
) -> None:
    """Lines from the top edge `y` downwards."""
    for number, line in enumerate(lines):
        paper.put(line, x, y + number * leading(points) + ASCENT * points * MM_PER_POINT, points, face, shade)


def gap(height: float) -> Block:
    """Nothing, of a height."""
    return Block(height, lambda paper, y: None)
