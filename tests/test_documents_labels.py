"""Labels on paper: read back by a scanner, measured, and refused where they could not be read."""

import io
import subprocess
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchworthy.documents.labels import HINT, Label, sheets_pdf, single_pdf, singles_pdf
from benchworthy.documents.sizes import MOST_LABELS, SHEETS, SINGLES, LabelSheet, LabelSize, checked_label, checked_sheet
from benchworthy.errors import BenchworthyError, PrintRefused, SerialInvalid
from benchworthy.intake import label as scanned
from papers import ADDRESS, ISSUED, SERIAL, Spot, pages_text, seen_codes, seen_text, spots

PLAIN = Label(SERIAL, "Tarn rev B", ADDRESS)
ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
ALL_SIZES: Mapping[str, LabelSize] = {**SINGLES, **{name: sheet.label for name, sheet in SHEETS.items()}}
REFERENCE = Path(__file__).resolve().parents[1] / "docs" / "reference" / "printed.md"


def numbered(count: int) -> list[Label]:
    """Labels, each with an address of its own."""
    return [Label(scanned.complete(f"KM{n:05}"), "Tarn rev B", f"https://boards.example.org/c/c-{n:020x}") for n in range(count)]


def size_of(pdf: bytes) -> tuple[float, float]:
    box = pypdf.PdfReader(io.BytesIO(pdf)).pages[0].mediabox
    return float(box.width) * 25.4 / 72, float(box.height) * 25.4 / 72


def inside(spot: Spot, left: float, top: float, size: LabelSize) -> bool:
    """Whether a text keeps to the inset of a label, within what a glyph's own box overhangs."""
    slack, inset = 0.35, size.inset
    across = left + inset - slack <= spot.left and spot.right <= left + size.width - inset + slack
    return across and top + inset - slack <= spot.top and spot.bottom <= top + size.height - inset + slack


# --- one label ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SINGLES)
def test_a_label_has_its_stated_size_and_its_code_holds_only_the_address(name: str) -> None:
    size = SINGLES[name]
    pdf = single_pdf(PLAIN, size, ISSUED)
    assert size_of(pdf) == pytest.approx((size.width, size.height), abs=0.01)
    assert name == f"{size.width:g}x{size.height:g}"
    assert seen_codes(pdf) == [[ADDRESS]]


@pytest.mark.parametrize("name", ALL_SIZES)
def test_a_label_says_serial_number_and_design_and_never_that_the_board_is_fit(name: str) -> None:
    """The check character stands apart, and what a person reads off is accepted when typed."""
    said = seen_text(single_pdf(PLAIN, ALL_SIZES[name], ISSUED))
    head, _, rest = said.partition("Tarn rev B")
    assert scanned.parse(head) == SERIAL
    assert head.split()[-1] == SERIAL[-1], "the check character is a word of its own"
    assert rest.strip() == HINT


def test_a_virtual_boards_label_says_so() -> None:
    assert "VIRTUAL" in seen_text(single_pdf(replace(PLAIN, virtual=True), SINGLES["50x25"], ISSUED))


def test_the_serial_number_is_the_largest_thing_to_read() -> None:
    """At least twelve points on the larger label: capitals of three millimetres."""
    by_height = sorted(spots(single_pdf(PLAIN, SINGLES["62x29"], ISSUED)), key=lambda spot: spot.bottom - spot.top)
    assert by_height[-1].bottom - by_height[-1].top >= 2.5


def test_labels_for_a_label_printer_come_one_a_page_in_the_order_asked_for() -> None:
    """And one alone is the same print."""
    labels = numbered(3)
    assert seen_codes(singles_pdf(labels, SINGLES["50x25"], ISSUED)) == [[label.url] for label in labels]
    assert singles_pdf(labels[:1], SINGLES["50x25"], ISSUED) == single_pdf(labels[0], SINGLES["50x25"], ISSUED)
    for count in (0, MOST_LABELS + 1):
        with pytest.raises(PrintRefused, match=str(count)):
            singles_pdf(labels[:1] * count, SINGLES["50x25"], ISSUED)


def test_the_same_labels_give_the_same_bytes() -> None:
    assert single_pdf(PLAIN, SINGLES["62x29"], ISSUED) == single_pdf(replace(PLAIN), SINGLES["62x29"], ISSUED)
    sheet = SHEETS["a4-5x13"]
    assert sheets_pdf(numbered(70), sheet, 3, ISSUED) == sheets_pdf(numbered(70), sheet, 3, ISSUED)


def test_the_measure_of_these_tests_sees_what_leaves_a_label() -> None:
    """Seen red: the texts of the larger label do not keep to the smaller one."""
    pdf = single_pdf(PLAIN, SINGLES["62x29"], ISSUED)
    assert all(inside(spot, 0, 0, SINGLES["62x29"]) for spot in spots(pdf))
    assert not all(inside(spot, 0, 0, SINGLES["50x25"]) for spot in spots(pdf))


# --- sheets ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SHEETS)
def test_a_sheet_begins_where_it_is_still_free_and_goes_on_to_the_next(name: str) -> None:
    """Every code is read back; the places used before stay white."""
    sheet = SHEETS[name]
    labels = numbered(sheet.places)
    pdf = sheets_pdf(labels, sheet, 3, ISSUED)
    codes = seen_codes(pdf)
    assert [len(page) for page in codes] == [sheet.places - 2, 2]
    assert sorted(code for page in codes for code in page) == sorted(label.url for label in labels)
    used = [sheet.corner(place) for place in range(2)]
    for spot in spots(pdf):
        assert not any(inside(spot, x, y, sheet.label) for x, y in used)


@pytest.mark.parametrize("name", SHEETS)
def test_everything_keeps_to_its_own_label(name: str) -> None:
    """Each text lies inside the inset of one place of the sheet."""
    sheet = SHEETS[name]
    pdf = sheets_pdf(numbered(sheet.places), sheet, 1, ISSUED)
    corners = [sheet.corner(place) for place in range(sheet.places)]
    for spot in spots(pdf):
        assert any(inside(spot, x, y, sheet.label) for x, y in corners), spot


def test_the_last_place_of_a_sheet_can_be_the_first_that_is_used() -> None:
    sheet = SHEETS["a4-3x8"]
    assert [len(page) for page in seen_codes(sheets_pdf(numbered(2), sheet, 24, ISSUED), 200)] == [1, 1]


def test_a_sheet_with_other_numbers_is_laid_out_by_them() -> None:
    """Two columns, three rows, gaps: the corners by hand."""
    sheet = LabelSheet(2, 3, LabelSize(80, 40, 2), 10, 20, gap_x=5, gap_y=8)
    assert [sheet.corner(place) for place in (0, 1, 2, 5)] == [(10, 20), (95, 20), (10, 68), (95, 116)]
    assert len(seen_codes(sheets_pdf(numbered(6), sheet, 1, ISSUED))[0]) == 6


@pytest.mark.parametrize("name", SHEETS)
def test_the_stated_sheets_fit_on_a4_and_are_as_named(name: str) -> None:
    sheet = checked_sheet(SHEETS[name])
    assert name == f"a4-{sheet.columns}x{sheet.rows}"


def test_every_stated_size_is_in_the_reference() -> None:
    page = REFERENCE.read_text()
    assert [name for name in (*SINGLES, *SHEETS) if f"`{name}`" not in page] == []
    for size in ALL_SIZES.values():
        assert f"{size.width:g} x {size.height:g} mm" in page


# --- what is refused ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sheet", "told"),
    [
        (LabelSheet(4, 8, LabelSize(70, 37, 5), 0, 0.5), "beyond A4"),
        (LabelSheet(3, 9, LabelSize(70, 37, 5), 0, 0.5), "beyond A4"),
        (LabelSheet(3, 8, LabelSize(70, 37, 5), 1, 0.5), "beyond A4"),
        (LabelSheet(0, 8, LabelSize(70, 37, 5), 0, 0), "make no sheet"),
        (LabelSheet(3, 8, LabelSize(70, 37, 5), -1, 0), "negative"),
        (LabelSheet(3, 8, LabelSize(70, 37, 5), 0, float("nan")), "no finite number"),
        (LabelSheet(3, 8, LabelSize(70, 37, 12), 0, 0), "too small"),
        (LabelSheet(1, 1, LabelSize(20, 20, 1), 0, 0), "too small"),
        (LabelSheet(1, 1, LabelSize(60, 30, -1), 0, 0), "too small"),
    ],
)
def test_a_sheet_that_does_not_fit_is_refused(sheet: LabelSheet, told: str) -> None:
    with pytest.raises(PrintRefused) as refused:
        sheets_pdf([PLAIN], sheet, 1, ISSUED)
    assert told in str(refused.value)


@pytest.mark.parametrize("size", [LabelSize(float("inf"), 30, 1), LabelSize(400, 30, 1), LabelSize(62, 29, 10)])
def test_a_label_that_cannot_be_is_refused(size: LabelSize) -> None:
    with pytest.raises(PrintRefused):
        checked_label(size)


@pytest.mark.parametrize("first", [0, -1, 25, 10_000])
def test_a_place_that_the_sheet_does_not_have_is_refused(first: int) -> None:
    with pytest.raises(PrintRefused) as refused:
        sheets_pdf([PLAIN], SHEETS["a4-3x8"], first, ISSUED)
    assert "places 1 to 24" in str(refused.value)


@pytest.mark.parametrize("count", [0, MOST_LABELS + 1])
def test_no_labels_and_too_many_are_refused(count: int) -> None:
    with pytest.raises(PrintRefused):
        sheets_pdf([PLAIN] * count, SHEETS["a4-3x8"], 1, ISSUED)


@pytest.mark.parametrize("serial", ["", "KM000100", "KM0001 0O", "km00010o", "KM00010O\n", "ÄÖ", "A" * 40, "<b>"])
def test_a_serial_number_whose_check_character_is_wrong_gets_no_label(serial: str) -> None:
    """A misprinted label would give a board the name of another."""
    with pytest.raises(SerialInvalid):
        single_pdf(replace(PLAIN, serial=serial), SINGLES["62x29"], ISSUED)


@pytest.mark.parametrize(
    ("url", "told"),
    [
        ("", "no web address"),
        ("ftp://boards.example.org/c", "no web address"),
        ("https://b.example/ c", "no web address"),
        ("https://b.example/\x00", "no web address"),
        ("https://bücher.example/c", "no web address"),
        ("https://b.example/" + "c" * 260, "not read safely"),
        ("https://b.example/" + "c" * 290, "no web address"),
    ],
)
def test_an_address_that_cannot_be_scanned_safely_is_refused(url: str, told: str) -> None:
    with pytest.raises(PrintRefused) as refused:
        single_pdf(replace(PLAIN, url=url), SHEETS["a4-5x13"].label, ISSUED)
    assert told in str(refused.value)


def test_a_name_that_does_not_fit_is_refused_by_its_name() -> None:
    """Not cut in silence: half a design's name can be another design's."""
    with pytest.raises(PrintRefused) as refused:
        single_pdf(replace(PLAIN, design="Tarn " * 60), SINGLES["50x25"], ISSUED)
    assert "Tarn Tarn" in str(refused.value) and "50 x 25 mm" in str(refused.value)


def test_one_bad_label_spoils_no_sheet() -> None:
    """The whole print is refused before anything is drawn."""
    with pytest.raises(PrintRefused):
        sheets_pdf([*numbered(5), replace(PLAIN, design="x" * 500)], SHEETS["a4-5x13"], 1, ISSUED)


# --- any text -------------------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    body=st.text(ALPHABET, min_size=2, max_size=23),
    design=st.text(max_size=60),
    virtual=st.booleans(),
    name=st.sampled_from(sorted(ALL_SIZES)),
)
def test_whatever_is_written_stays_on_the_label_or_is_refused(body: str, design: str, virtual: bool, name: str) -> None:
    """No text leaves the label's inset, nothing that steers gets in, the serial number is always whole."""
    size = ALL_SIZES[name]
    serial = scanned.complete(body)
    try:
        pdf = single_pdf(Label(serial, design, ADDRESS, virtual), size, ISSUED)
    except BenchworthyError as refused:
        assert refused.detail and refused.advice
        return
    assert all(inside(spot, 0, 0, size) for spot in spots(pdf))
    said = pages_text(pdf)[0]
    assert said.isprintable()
    assert said.replace(" ", "").startswith(serial)


@settings(max_examples=15, deadline=None)
@given(st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7E), max_size=60), st.sampled_from(sorted(SINGLES)))
def test_whatever_address_is_printed_is_read_back(tail: str, name: str) -> None:
    """Up to the length at which the squares become too small."""
    url = f"https://b.example/c/{tail}"
    assert seen_codes(single_pdf(replace(PLAIN, url=url), SINGLES[name], ISSUED)) == [[url]]


def test_poppler_draws_what_pdfium_draws(tmp_path: Path) -> None:
    """A second program renders the label, and the scanner reads that as well."""
    import zxingcpp
    from PIL import Image

    command = ["pdftoppm", "-r", "300", "-png", "-singlefile", "-", str(tmp_path / "label")]
    subprocess.run(command, input=single_pdf(PLAIN, SINGLES["62x29"], ISSUED), check=True, timeout=60)
    with Image.open(tmp_path / "label.png") as picture:
        assert [found.text for found in zxingcpp.read_barcodes(picture)] == [ADDRESS]
