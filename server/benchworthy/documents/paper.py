"""A page to draw on. This file alone knows what fpdf2 keeps to itself, so that a new release of it is checked here.

Everything with meaning is tagged (headings, paragraphs, figures with words for who cannot see them); running heads
and lines are artifacts. The tags are a flat list in reading order: fpdf2 knows no nesting.
"""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Final

from fpdf import FPDF, ViewerPreferences

from benchworthy import __version__
from benchworthy.documents.typeface import MM_PER_POINT, Face, path_of, width

BLACK: Final = 0
GREY: Final = 90  # 7:1 against white: still easy to read
PALE: Final = 200  # rules between rows
_FAMILY: Final = "text"
_STYLE: Final = {Face.PLAIN: "", Face.BOLD: "B"}
_SLASHED: Final = "0"


class Paper(FPDF):
    """Pages of one size in millimetres, from the top left corner."""

    def __init__(self, size: tuple[float, float], title: str, at: datetime) -> None:
        super().__init__(unit="mm", format=size)
        self.set_margin(0)
        self.set_auto_page_break(False)
        self.alias_nb_pages(None)  # type: ignore[arg-type]  # documented: None switches the substitution off
        self.set_title(title)
        self.set_lang("en")
        self.set_creator(f"Benchworthy {__version__}")
        self.set_producer("fpdf2")
        self.set_creation_date(at)
        self.viewer_preferences = ViewerPreferences(display_doc_title=True)
        self._marks: dict[int, int] = {}
        for face in Face:
            self.add_font(_FAMILY, _STYLE[face], path_of(face))

    @contextmanager
    def tagged(self, kind: str, alt: str | None = None) -> Iterator[None]:
        """What is drawn inside is one element of the structure: H1, H2, P or Figure."""
        mark = self._marks.get(self.page, 0)
        self._marks[self.page] = mark + 1
        self._add_marked_content(struct_type=f"/{kind}", mcid=mark, alt_text=alt)
        self._out(f"/{kind} <</MCID {mark}>> BDC")
        yield
        self._out("EMC")

    @contextmanager
    def aside(self) -> Iterator[None]:
        """What is drawn inside means nothing: a rule, a running head."""
        self._out("/Artifact BMC")
        yield
        self._out("EMC")

    def put(
        self, text: str, x: float, base: float, points: float, face: Face = Face.PLAIN, shade: int = BLACK, right: bool = False
    ) -> None:
        """One line of text with its baseline at `base`, starting or, with `right`, ending at `x`."""
        self.set_font(_FAMILY, _STYLE[face], points)
        self.set_text_color(shade)
        self.text(x - width(text, face, points) if right else x, base, text)

    def put_marks(self, text: str, x: float, base: float, points: float, shade: int = BLACK) -> None:
        """Letters and digits that somebody will copy by hand: bold, and each zero is crossed so that it is no O."""
        self.put(text, x, base, points, Face.BOLD, shade)
        em = points * MM_PER_POINT
        self.set_draw_color(shade)
        self.set_line_width(em * 0.055)
        for place in (place for place, character in enumerate(text) if character == _SLASHED):
            left = x + width(text[:place], Face.BOLD, points)
            wide = width(_SLASHED, Face.BOLD, points)
            self.line(left + wide * 0.38, base - em * 0.22, left + wide * 0.62, base - em * 0.47)

    def box(self, x: float, y: float, wide: float, high: float, shade: int = BLACK) -> None:
        """A filled rectangle."""
        self.set_fill_color(shade)
        self.rect(x, y, wide, high, style="F")

    def frame(self, x: float, y: float, wide: float, high: float, shade: int = BLACK, thick: float = 0.3) -> None:
        """The outline of a rectangle."""
        self.set_draw_color(shade)
        self.set_line_width(thick)
        self.rect(x, y, wide, high)

    def rule(self, x: float, y: float, wide: float, shade: int = PALE, dash: float = 0) -> None:
        """A thin level line."""
        self.set_draw_color(shade)
        self.set_line_width(0.2)
        self.set_dash_pattern(dash=dash, gap=dash)
        self.line(x, y, x + wide, y)
        self.set_dash_pattern()

    def squares(self, rectangles: Iterable[tuple[float, float, float, float]]) -> None:
        """Black rectangles (x, y, width, height) as ONE path: drawn one by one, viewers leave hairlines between them."""
        scale = self.k
        self.set_fill_color(BLACK)
        parts = [
            f"{x * scale:.3f} {(self.h - y - high) * scale:.3f} {wide * scale:.3f} {high * scale:.3f} re"
            for x, y, wide, high in rectangles
        ]
        self._out(" ".join([*parts, "f"]) if parts else "")

    def attach(self, name: str, kind: str, content: bytes, about: str, at: datetime) -> None:
        """A file inside the document."""
        self.embed_file(
            bytes=content,
            basename=name,
            mime_type=kind,
            associated_file_relationship="Data",
            desc=about,
            creation_date=at,
            modification_date=at,
            compress=True,
            checksum=True,
        )

    def made(self) -> bytes:
        """The finished document."""
        return bytes(self.output())
