"""The certificate on A4: what the signed token and its results document say, with both of them inside the file.

The paper never says whether the certificate is still in force: that changes, the bytes do not. Two codes lead further,
one to the public page, one to the signed token itself.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from benchworthy.documents import certificate_parts as parts
from benchworthy.documents import qr, wording
from benchworthy.documents.certificate_parts import BOTTOM, LEFT, TOP, WIDE
from benchworthy.documents.checks import checked_address
from benchworthy.documents.flow import Block, paginate
from benchworthy.documents.paper import GREY, Paper
from benchworthy.documents.reading import Words, read
from benchworthy.documents.sizes import A4
from benchworthy.documents.typeface import Face
from benchworthy.errors import PrintRefused

FIRST_TOP = 16.0
ROOM = A4[1] - TOP - BOTTOM


@dataclass(frozen=True, slots=True)
class CertificateCopy:
    """What is printed: the token as issued, the results document byte for byte, the address of the public page."""

    token: str
    results: str
    url: str
    cautions: tuple[str, ...] = wording.CAUTIONS


def certificate_pdf(copy: CertificateCopy) -> bytes:
    """The file. The same copy gives the same bytes. Raises PrintRefused."""
    words = read(copy.token, copy.results)
    page_code = qr.encode(checked_address(copy.url), most_version=12)
    pages = paginate(list(_blocks(copy, words, page_code)), A4[1] - FIRST_TOP - BOTTOM, ROOM)
    paper = Paper(A4, f"{wording.TITLE}: {words.serial}, {words.id}", words.issued)
    paper.set_subject(f"{wording.VIRTUAL}. {wording.VIRTUAL_MEANS}" if words.virtual else wording.NO_INSPECTION)
    for number, page in enumerate(pages, start=1):
        paper.add_page()
        _margins(paper, words, number, len(pages))
        y = FIRST_TOP if number == 1 else TOP
        for block in page:
            block.draw(paper, y)
            y += block.height
    about = "The signed certificate: JWS, compact form"
    paper.attach(f"{words.id}.jws", "application/jose", copy.token.encode(), about, words.issued)
    about = "The results document; its SHA-256 stands in the certificate"
    paper.attach(f"{words.id}.results.json", "application/json", copy.results.encode(), about, words.issued)
    return paper.made()


def _blocks(copy: CertificateCopy, words: Words, page_code: qr.Code) -> Iterator[Block]:
    yield parts.head(words, copy.url, page_code)
    yield from parts.facts(words)
    if words.waivers:
        yield from parts.section(wording.WAIVED, *words.waivers)
    if words.one_person:
        yield from parts.section(wording.ONE_PERSON, words.one_person)
    yield from parts.section("How it was judged", words.rule, *([words.notice] if words.notice else []))
    yield from parts.results(words)
    if words.remarks:
        yield from parts.section("Further", *words.remarks)
    if words.built:
        yield from parts.section("How it was built", *words.built)
    yield from parts.people(words)
    yield from parts.evidence(words)
    yield from parts.cautions(copy.cautions)
    yield from parts.signed(words, copy.token, _token_code(copy.token))
    yield from parts.closing(words)


def _token_code(token: str) -> qr.Code | None:
    """None for a token that outgrew its code: the attachment still carries it, and the page says so."""
    try:
        return qr.encode(token)
    except PrintRefused:
        return None


def _margins(paper: Paper, words: Words, number: int, total: int) -> None:
    """The running head and foot: whose page this is, and that none is missing."""
    with paper.aside():
        if number > 1:
            paper.put(f"{wording.TITLE} {words.id}", LEFT, 11, 8, Face.PLAIN, GREY)
            if words.virtual:
                paper.put(wording.VIRTUAL, A4[0] / 2 - 12, 11.5, 13, Face.BOLD)
            paper.put(words.serial, LEFT + WIDE, 11, 8, Face.BOLD, GREY, right=True)
            paper.rule(LEFT, 13, WIDE)
        paper.rule(LEFT, A4[1] - 14, WIDE)
        paper.put(f"{words.id} · {words.serial}", LEFT, A4[1] - 10, 8, Face.PLAIN, GREY)
        paper.put(f"page {number} of {total}", LEFT + WIDE, A4[1] - 10, 8, Face.PLAIN, GREY, right=True)
