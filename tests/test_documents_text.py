"""Text before it is drawn: defused, measured, broken into lines; numbers rounded; blocks on pages; codes."""

import ast
import math
import unicodedata
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import layers
from benchworthy import documents
from benchworthy.documents import numbers, qr
from benchworthy.documents.fitting import fit, wrap
from benchworthy.documents.flow import Block, paginate
from benchworthy.documents.paper import Paper
from benchworthy.documents.sizes import A4
from benchworthy.documents.typeface import CUT, Face, advances, shown, width
from benchworthy.errors import PrintRefused
from papers import ISSUED

ROOM = Path(documents.__file__).parent

# ISO/IEC 18004:2015, table 7 (from memory): bytes that fit into a code of level M, by version.
BYTES_AT_LEVEL_M = {
    1: 14, 2: 26, 3: 42, 4: 62, 5: 84, 6: 106, 7: 122, 8: 152, 9: 180, 10: 213, 11: 251, 12: 287, 13: 331, 14: 362, 15: 412,
    16: 450, 17: 504, 18: 560, 19: 624, 20: 666, 21: 711, 22: 779, 23: 857, 24: 911, 25: 997, 26: 1059,
}  # fmt: skip


def test_the_room_takes_its_dates_from_its_arguments_and_nothing_from_its_surroundings() -> None:
    """No clock, randomness or environment, as in the core: else two prints could differ."""
    found = [(file.name, fault) for file in ROOM.glob("*.py") for fault in layers._impure(ast.parse(file.read_text()))]
    assert found == []
    assert list(layers._impure(ast.parse("import time"))) != [], "the guard sees what is planted"


# --- defusing -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["Größe", "café", "10 kΩ ± 5 %", "220 µF", "≤ 50 mV", "Жук", "ő", "Ελλάδα", "“so”…"])
def test_letters_and_signs_of_the_trade_are_shown_as_they_are(text: str) -> None:
    assert shown(text) == text


def test_two_ways_to_write_one_letter_are_one() -> None:
    """An e with an accent as one code point or two; the ohm sign is the letter omega (Unicode, canonical equivalence)."""
    assert shown("cafe\u0301") == "café"
    assert shown("\u2126") == "Ω"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("a\x00b\x1b[31m", "a[U+0000]b[U+001B][31m"),
        ("left\u202eright", "left[U+202E]right"),
        ("zero\u200bwidth\ufeff", "zero[U+200B]width[U+FEFF]"),
        ("批次", "[U+6279][U+6B21]"),
        ("😀", "[U+1F600]"),
        ("z\u0336\u0310algo", "z[U+0336][U+0310]algo"),
        ("one\r\ntwo\tthree\u2028four", "one two three four"),
        ("\ud800", "[U+D800]"),
        ("{nb} **bold** <b>", "{nb} **bold** <b>"),
    ],
)
def test_what_could_steer_or_vanish_is_spelled_out(text: str, told: str) -> None:
    """Control characters, direction marks, what the typeface lacks; markup stays plain text."""
    assert shown(text) == told


@given(st.text(max_size=300), st.integers(1, 120))
def test_what_is_shown_can_be_drawn_and_is_never_longer_than_asked(text: str, most: int) -> None:
    """Every character has a glyph in both weights, and nothing that steers is left."""
    told = shown(text, most)
    assert len(told.removesuffix(CUT)) <= most
    assert all(character in advances(face) for character in told for face in Face)
    assert not any(unicodedata.category(character).startswith("C") for character in told)


def test_a_megabyte_is_cut_and_says_so() -> None:
    assert shown("x" * 1_000_000, 50) == "x" * 50 + CUT
    assert shown("\x00" * 1_000_000, 50).endswith(CUT)
    assert shown(" " * 1_000_000, 50) == CUT


# --- measuring and breaking -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("face", list(Face))
def test_our_widths_are_those_of_the_pdf_writer(face: Face) -> None:
    """Two readers of one font file."""
    paper = Paper(A4, "x", ISSUED)
    paper.set_font("text", "B" if face is Face.BOLD else "", 11)
    for text in ("KM00010O", "Größe 10 kΩ", "WWWW iiii", "Ж€µ"):
        assert width(text, face, 11) == pytest.approx(paper.get_string_width(text), abs=0.02)


TEXTS = st.text(st.sampled_from(sorted(advances(Face.PLAIN).keys() & advances(Face.BOLD).keys())), max_size=120).map(shown)


@given(TEXTS, st.floats(3, 80), st.floats(5, 20))
def test_no_line_is_wider_than_its_room_and_no_letter_is_lost(text: str, room: float, points: float) -> None:
    """A single character wider than the room stands alone."""
    lines = wrap(text, Face.PLAIN, points, room)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert all(width(line, Face.PLAIN, points) <= room or len(line) == 1 for line in lines)


def test_a_long_german_word_is_broken_where_it_must_be() -> None:
    word = "Donaudampfschifffahrtselektrizitätenhauptbetriebswerkbauunterbeamtengesellschaft"
    lines = wrap(f"vor {word} nach", Face.PLAIN, 9, 40)
    assert lines[0] == "vor"
    assert "".join(lines[1:]).startswith(word)


@given(TEXTS, st.floats(10, 80), st.floats(3, 30))
def test_what_fits_fits(text: str, room: float, height: float) -> None:
    """Either nothing, or lines inside the box at a size between the two given."""
    fitted = fit(text, Face.PLAIN, room, height, 12, 5)
    if fitted is not None:
        assert 5 <= fitted.points <= 12
        assert fitted.height <= height
        assert all(width(line, Face.PLAIN, fitted.points) <= room for line in fitted.lines)


# --- numbers --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "expanded", "told"),
    [
        # JCGM 100:2008, 7.2.6 (from memory): y = 10.057 62 ohm with u = 27 milliohm is rounded to 10.058 ohm.
        ("10.05762", "0.027", "10.058"),
        ("5.0000", "0.08", "5.00"),
        ("4095.3", "12", "4095"),
        ("4123.4", "1.2e+02", "4120"),
        ("-0.00321", "0.0012", "-0.0032"),
        ("-0.00001", "0.0049", "0.0000"),
        ("0.1", "0", "0.1"),
        ("nonsense", "0.1", "nonsense"),
        ("nan", "0.1", "nan"),
    ],
)
def test_a_value_is_rounded_where_its_uncertainty_ends(value: str, expanded: str, told: str) -> None:
    assert numbers.value_text(value, expanded, -1e9, 1e9) == told


def test_rounding_never_carries_a_value_across_a_limit() -> None:
    """5.2003 V against 5.20 V is outside, and the paper must not say 5.200."""
    assert numbers.value_text("5.2003", "0.027", 4.8, 5.2) == "5.2003"
    assert numbers.value_text("5.2", "0.027", 4.8, 5.2) == "5.200"


@given(st.floats(-1e4, 1e4), st.floats(1e-4, 100), st.floats(-1e4, 1e4), st.floats(0, 1e4))
def test_the_printed_value_is_on_the_same_side_as_the_value(value: float, expanded: float, low: float, span: float) -> None:
    text = f"{value:.7g}"
    told = numbers.value_text(text, f"{expanded:.2g}", low, low + span)
    assert (low <= float(told) <= low + span) == (low <= float(Decimal(text)) <= low + span)


@pytest.mark.parametrize(
    ("low", "high", "told"),
    [
        (4.8, 5.2, "4.8 to 5.2"),
        (0, 0, "exactly 0"),
        (-math.inf, 0.028, "at most 0.028"),
        (64, math.inf, "at least 64"),
        (-math.inf, math.inf, "any"),
    ],
)
def test_limits_are_told_in_words_where_an_end_is_open(low: float, high: float, told: str) -> None:
    assert numbers.limits_text(low, high) == told


@pytest.mark.parametrize(
    ("share", "told"), [(1.0, "> 99.99 %"), (0.9998, "99.98 %"), (0.5, "50.00 %"), (0.0, "< 0.01 %"), (0.9999, "99.99 %")]
)
def test_no_probability_is_told_as_certain(share: float, told: str) -> None:
    assert numbers.share_text(share) == told


# --- pages ----------------------------------------------------------------------------------------------------------


def _block(height: float, with_next: bool = False, again: Block | None = None) -> Block:
    return Block(height, lambda paper, y: None, with_next, again)


def test_a_heading_stays_with_what_it_heads() -> None:
    """Ten millimetres are left, the heading needs five and its text eight: both go over."""
    heading, text = _block(5, with_next=True), _block(8)
    pages = paginate([_block(90), heading, text], 100, 100)
    assert [[block.height for block in page] for page in pages] == [[90], [5, 8]]


def test_the_head_of_a_table_stands_on_each_page_anew() -> None:
    head = _block(3)
    rows = [_block(20, again=head) for _ in range(9)]
    pages = paginate([head, *rows], 100, 100)
    assert [[block.height for block in page] for page in pages] == [[3, 20, 20, 20, 20], [3, 20, 20, 20, 20], [3, 20]]


@given(st.lists(st.tuples(st.floats(0.5, 60), st.booleans()), max_size=60), st.floats(60, 100))
def test_no_page_overflows_and_no_block_is_lost(given_blocks: list[tuple[float, bool]], room: float) -> None:
    """Whatever hangs together with whatever."""
    blocks = [_block(height, with_next) for height, with_next in given_blocks]
    pages = paginate(blocks, room, room)
    assert [id(block) for page in pages for block in page] == [id(block) for block in blocks]
    assert all(sum(block.height for block in page) <= room + 1e-6 for page in pages)


# --- codes ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("version", "most"), BYTES_AT_LEVEL_M.items())
def test_a_code_holds_what_the_standard_says(version: int, most: int) -> None:
    """Level M, and one character more asks for the next version. A code of version v has 17 + 4v modules a side."""
    made = qr.encode("j" * most)
    assert (made.version, len(made.rows), made.modules) == (version, 17 + 4 * version, 25 + 4 * version)
    if version < qr.TOKEN_VERSION:
        assert qr.encode("j" * (most + 1)).version == version + 1


@pytest.mark.parametrize("length", [1060, 3000, 100_000])
def test_a_text_beyond_the_largest_code_is_refused(length: int) -> None:
    """More than version 26, and more than any code holds."""
    with pytest.raises(PrintRefused) as refused:
        qr.encode("j" * length)
    assert f"{length} characters" in str(refused.value)
