"""The parts of a certificate as blocks, from the top of the first page to the last word."""

from collections.abc import Iterator, Sequence

from benchworthy.documents import numbers, qr, wording
from benchworthy.documents.fitting import fit, leading, wrap
from benchworthy.documents.flow import Block, gap, paragraph, put_lines
from benchworthy.documents.paper import BLACK, GREY, Paper
from benchworthy.documents.reading import Line, TestResult, Words
from benchworthy.documents.sizes import A4
from benchworthy.documents.typeface import Face, width

LEFT, TOP, BOTTOM = 18.0, 18.0, 18.0
WIDE = A4[0] - 2 * LEFT
BODY, SMALL, TINY = 9.0, 7.5, 6.5
_CODE = 32.0
_GOOD = "in limits"
# Where each column of the results begins, and how wide it is.
_COLUMNS = ((0.0, 52.0), (53.0, 28.0), (82.0, 16.0), (99.0, 36.0), (136.0, 18.0), (155.0, 19.0))
_HEADS = ("quantity", "value", "U (k = 2)", "tolerance", "verdict", "conforms")


def head(words: Words, url: str, page_code: qr.Code) -> Block:
    """Title, serial number, validity, the code of the public page; a band across the page where the board is virtual."""
    band = 17.0 if words.virtual else 0.0
    mark = fit(words.serial, Face.BOLD, WIDE - _CODE - 6, 14, 30, 7)
    text = (
        f"{words.design}. Fit to lend from {numbers.moment_text(words.issued)} until {numbers.moment_text(words.until)}, "
        "on the evidence below, unless it has lapsed or was withdrawn since: scan the code to know."
    )
    said = wrap(text, Face.PLAIN, 10, WIDE - _CODE - 6)
    address = wrap(url, Face.PLAIN, TINY, WIDE)
    notices = wrap(" ".join((wording.NO_INSPECTION, wording.ONLY_THIS_BOARD)), Face.BOLD, BODY, WIDE - 6)
    upper = max(_CODE + 2, 26 + len(said) * leading(10))
    boxed = len(notices) * leading(BODY) + 4

    def draw(paper: Paper, y: float) -> None:
        if words.virtual:
            _band(paper, y)
        top = y + band
        with paper.tagged("H1"):
            put_lines(paper, (wording.TITLE,), LEFT, top, 18, Face.BOLD)
        with paper.tagged("P"):
            _serial(paper, mark.lines if mark else (words.serial,), top + 19, mark.points if mark else 7)
        with paper.tagged("P"):
            put_lines(paper, said, LEFT, top + 24, 10)
        qr.draw(paper, page_code, LEFT + WIDE - _CODE, top - 2, _CODE, f"QR code of the certificate's page: {url}")
        with paper.tagged("P"):
            put_lines(paper, address, LEFT, top + upper, TINY, Face.PLAIN, GREY)
        below = top + upper + len(address) * leading(TINY) + 2
        with paper.aside():
            paper.frame(LEFT, below, WIDE, boxed, thick=0.5)
        with paper.tagged("P"):
            put_lines(paper, notices, LEFT + 3, below + 2, BODY, Face.BOLD)

    return Block(band + upper + len(address) * leading(TINY) + 2 + boxed + 3, draw)


def _band(paper: Paper, y: float) -> None:
    with paper.aside():
        paper.box(LEFT, y, WIDE, 13.5, BLACK)
    with paper.tagged("P"):
        paper.put(wording.VIRTUAL, LEFT + 4, y + 10.3, 30, Face.BOLD, 255)
        paper.put(wording.VIRTUAL_MEANS, LEFT + WIDE - 4, y + 8.5, 11, Face.PLAIN, 255, right=True)


def _serial(paper: Paper, lines: Sequence[str], base: float, points: float) -> None:
    """The check character, the last one, stands a little apart: it is no part of the number itself."""
    for number, line in enumerate(lines):
        y = base + (number - len(lines) + 1) * leading(points)
        if number < len(lines) - 1:
            paper.put_marks(line, LEFT, y, points)
            continue
        paper.put_marks(line[:-1], LEFT, y, points)
        apart = width(line[:-1] + "n", Face.BOLD, points) - width("n", Face.BOLD, points) * 0.5
        paper.put_marks(line[-1:], LEFT + apart, y, points)


def facts(words: Words) -> Iterator[Block]:
    """Name and value, two to a line."""
    yield _heading("What it rests on")
    pairs = list(words.facts)
    half = (WIDE - 6) / 2
    for left, right in zip(pairs[::2], [*pairs[1::2], None], strict=False):
        yield _pair(left, right, half)
    yield gap(2)


def _pair(left: tuple[str, str], right: tuple[str, str] | None, half: float) -> Block:
    cells = [(LEFT, left)] + ([(LEFT + half + 6, right)] if right else [])
    broken = [(x, name, wrap(value, Face.PLAIN, BODY, half)) for x, (name, value) in cells]
    lines = max(len(value) for _, _, value in broken)

    def draw(paper: Paper, y: float) -> None:
        for x, name, value in broken:
            with paper.tagged("P"):
                put_lines(paper, (name,), x, y, SMALL, Face.PLAIN, GREY)
                put_lines(paper, value, x, y + leading(SMALL), BODY)

    return Block(leading(SMALL) + lines * leading(BODY) + 1, draw)


def _heading(text: str) -> Block:
    return paragraph(text, LEFT, WIDE, 12, Face.BOLD, kind="H2", above=3, below=1.5, with_next=True)


def section(title: str, *texts: str) -> Iterator[Block]:
    """A heading and paragraphs."""
    yield _heading(title)
    yield from (paragraph(text, LEFT, WIDE, BODY) for text in texts)


def results(words: Words) -> Iterator[Block]:
    """Every test with every quantity; the head of the table stands on each page anew."""
    yield _heading("Results")
    note = "“conforms” is the probability that the true value lies inside the tolerance (normal distribution, from value and U)."
    yield paragraph(note, LEFT, WIDE, SMALL, shade=GREY, with_next=True)
    table = _table_head()
    yield Block(table.height, table.draw, with_next=True)
    for result in words.results:
        yield from _test(result, table)


def _table_head() -> Block:
    def draw(paper: Paper, y: float) -> None:
        with paper.tagged("P"):
            for (x, _), text in zip(_COLUMNS, _HEADS, strict=True):
                put_lines(paper, (text,), LEFT + x, y, SMALL, Face.BOLD)
        with paper.aside():
            paper.rule(LEFT, y + leading(SMALL) + 0.6, WIDE, BLACK)

    return Block(leading(SMALL) + 2, draw)


def _test(result: TestResult, table: Block) -> Iterator[Block]:
    name = wrap(f"{result.test}  {result.title}", Face.BOLD, BODY, _COLUMNS[4][0] - 2)
    verdict = wrap(result.verdict, Face.BOLD, BODY, _COLUMNS[4][1] + _COLUMNS[5][1])

    def draw(paper: Paper, y: float) -> None:
        with paper.tagged("P"):
            put_lines(paper, name, LEFT, y, BODY, Face.BOLD)
            put_lines(paper, verdict, LEFT + _COLUMNS[4][0], y, BODY, _weight(result.verdict))

    yield Block(max(len(name), len(verdict)) * leading(BODY), draw, with_next=True, again=table)
    for line in result.lines:
        yield _quantity(line, table)
    yield _details(result, table)


def _weight(verdict: str) -> Face:
    """Whatever is not plainly good stands out, without any colour."""
    return Face.PLAIN if verdict == _GOOD else Face.BOLD


def _quantity(line: Line, table: Block) -> Block:
    texts = (line.name, line.value, line.expanded, line.limits, line.verdict, line.conformity)
    faces = [Face.PLAIN] * 4 + [_weight(line.verdict), Face.PLAIN]
    cells = [wrap(text, face, 8, room) for text, face, (_, room) in zip(texts, faces, _COLUMNS, strict=True)]

    def draw(paper: Paper, y: float) -> None:
        with paper.tagged("P"):
            for (x, _), lines, face in zip(_COLUMNS, cells, faces, strict=True):
                put_lines(paper, lines, LEFT + x, y, 8, face)

    return Block(max(len(lines) for lines in cells) * leading(8) + 0.3, draw, with_next=True, again=table)


def _details(result: TestResult, table: Block) -> Block:
    lines = wrap(result.details, Face.PLAIN, TINY, WIDE)
    height = len(lines) * leading(TINY) + 2

    def draw(paper: Paper, y: float) -> None:
        with paper.tagged("P"):
            put_lines(paper, lines, LEFT, y, TINY, Face.PLAIN, GREY)
        with paper.aside():
            paper.rule(LEFT, y + height - 1, WIDE)

    return Block(height, draw, again=table)


def people(words: Words) -> Iterator[Block]:
    """Codes only."""
    yield from section("People, by their codes", *(f"{name}: {value}" for name, value in words.people))


def evidence(words: Words) -> Iterator[Block]:
    """Each arrival by its digest: raw codes and counts are kept there and can be judged anew."""
    yield _heading("Evidence")
    text = "Raw codes, counts and answers are kept as received, under these digests."
    yield paragraph(text, LEFT, WIDE, BODY, with_next=True)
    yield from (paragraph(line, LEFT, WIDE, SMALL, below=0.6) for line in words.evidence or ("none",))


def cautions(texts: Sequence[str]) -> Iterator[Block]:
    """Nothing when there are none."""
    if texts:
        yield from section("Cautions", *texts)


def signed(words: Words, token: str, token_code: qr.Code | None) -> Iterator[Block]:
    """The token as a code, and how to check it without asking anybody."""
    yield _heading("The signed certificate")
    text = (
        f"This paper is a copy. What counts is the signed token, in this file as {words.id}.jws and in the code below; the "
        f"results document is in it as {words.id}.results.json. `benchworthy verify` checks the signature against the site's "
        "published keys and says whether the certificate is in force."
    )
    yield paragraph(text, LEFT, WIDE, BODY, with_next=token_code is not None)
    if token_code is None:
        text = f"The token has {len(token)} characters, too many for a code that a phone reads: use the attached file."
        yield paragraph(text, LEFT, WIDE, BODY)
        return
    side = token_code.modules * 0.5

    def draw(paper: Paper, y: float) -> None:
        qr.draw(paper, token_code, LEFT - 2, y, side, "QR code of the signed certificate, a JWS in compact form")

    yield Block(side, draw)


def closing(words: Words) -> Iterator[Block]:
    """The last line says that nothing follows."""
    yield paragraph(words.end, LEFT, WIDE, BODY, Face.BOLD, above=2)
