"""The loan slip on paper."""

import io
import os
import subprocess
import sys
from dataclasses import replace
from datetime import date

import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchworthy.documents import wording
from benchworthy.documents.slip import MOST_SLIPS, Form, LoanSlip, slips_pdf
from benchworthy.errors import BenchworthyError, PrintRefused, SerialInvalid
from papers import ISSUED, SERIAL, pages_text, seen_codes, seen_text, spots

REMARKS = "https://boards.example.org/remarks"
BOX = ("Board Tarn rev B on its feet", "USB lead, 1 m", "Mains adapter 9 V, labelled K-17", "Two motors, one servo")
SLIP = LoanSlip(SERIAL, "Tarn rev B", "kettlebrook", date(2026, 12, 17), "K7M2Q0XA", REMARKS, BOX)


@pytest.mark.parametrize("form", list(Form))
def test_a_slip_says_all_that_a_borrower_must_know(form: Form) -> None:
    """What is in the box, how to see that it works, what not to do, until when, the code, whom to tell."""
    said = seen_text(slips_pdf([SLIP], form, ISSUED))
    told = (*BOX, *wording.SLIP_WORKS, *wording.SLIP_NEVER, *wording.SLIP_CAUTIONS, wording.SLIP_TELL, wording.SLIP_WIPE)
    layout = " ".join(word for text in pages_text(slips_pdf([SLIP], form, ISSUED)) for word in text.split())
    for words in (*told, "Thursday, 2026-12-17", "K7M2 Q0XA", f"{SERIAL[:-1]} {SERIAL[-1]}", "Tarn rev B, lent by kettlebrook"):
        assert words in said or words in layout, words


@pytest.mark.parametrize("form", list(Form))
def test_its_code_leads_to_the_page_for_remarks(form: Form) -> None:
    """And holds neither the one-loan code nor anything about the borrower."""
    assert seen_codes(slips_pdf([SLIP], form, ISSUED)) == [[REMARKS]]


def test_a_class_set_comes_in_one_file() -> None:
    """Twenty boards: twenty A5 pages, or ten A4 pages to be cut across the middle."""
    slips = [replace(SLIP, code=f"AAAA{n:04}") for n in range(20)]
    assert len(pages_text(slips_pdf(slips, Form.A5, ISSUED))) == 20
    halves = pages_text(slips_pdf(slips, Form.HALF_A4, ISSUED))
    assert len(halves) == 10
    assert all(f"AAAA {2 * page:04}" in text and f"AAAA {2 * page + 1:04}" in text for page, text in enumerate(halves))


@pytest.mark.parametrize(("form", "size"), [(Form.A5, (148, 210)), (Form.HALF_A4, (210, 297))])
def test_the_paper_has_the_size_of_its_name(form: Form, size: tuple[float, float]) -> None:
    box = pypdf.PdfReader(io.BytesIO(slips_pdf([SLIP], form, ISSUED))).pages[0].mediabox
    assert (float(box.width) * 25.4 / 72, float(box.height) * 25.4 / 72) == pytest.approx(size, abs=0.3)


def test_a_slip_keeps_to_its_half() -> None:
    """Nothing is cut through: no text within five millimetres of the middle or an edge."""
    for spot in spots(slips_pdf([SLIP, SLIP], Form.HALF_A4, ISSUED)):
        assert spot.left > 5 and spot.right < 205
        assert spot.bottom < 143.5 or spot.top > 153.5


def test_a_virtual_boards_slip_says_so() -> None:
    assert f"VIRTUAL: {wording.VIRTUAL_MEANS}" in seen_text(slips_pdf([replace(SLIP, virtual=True)], Form.A5, ISSUED))


def test_the_same_slip_gives_the_same_bytes_whatever_the_language_of_the_machine() -> None:
    """The weekday's name does not come from the locale."""
    program = (
        "import locale, sys\nfrom datetime import date, datetime, UTC\nlocale.setlocale(locale.LC_ALL, '')\n"
        "from benchworthy.documents.slip import *\n"
        f"slip = LoanSlip({SERIAL!r}, 'Tarn rev B', 'kettlebrook', date(2026, 12, 17), 'K7M2Q0XA', {REMARKS!r}, {BOX!r})\n"
        "sys.stdout.buffer.write(slips_pdf([slip], Form.A5, datetime(2026, 11, 25, 14, 30, tzinfo=UTC)))\n"
    )
    elsewhere = {**os.environ, "TZ": "Asia/Tokyo", "LC_ALL": "C.UTF-8", "PYTHONHASHSEED": "3"}
    done = subprocess.run([sys.executable, "-c", program], env=elsewhere, capture_output=True, timeout=60, check=True)
    assert done.stdout == slips_pdf([SLIP], Form.A5, ISSUED)


def test_more_text_is_set_smaller_before_it_is_refused() -> None:
    """Twenty things in the box still fit on A5; two hundred do not."""
    longer = replace(SLIP, box=tuple(f"thing number {n}" for n in range(20)))
    assert "thing number 19" in seen_text(slips_pdf([longer], Form.A5, ISSUED))
    with pytest.raises(PrintRefused) as refused:
        slips_pdf([replace(SLIP, box=("thing",) * 200)], Form.A5, ISSUED)
    assert SERIAL in str(refused.value)


@pytest.mark.parametrize("code", ["", "SHORT", "NINECHARS", "ABCD EFG", "ABCD-EFG", "ÄBCDEFGH", "ABCDEFG\n"])
def test_a_code_of_another_form_is_refused_and_not_repeated(code: str) -> None:
    with pytest.raises(PrintRefused) as refused:
        slips_pdf([replace(SLIP, code=code)], Form.A5, ISSUED)
    assert not code or code not in str(refused.value)


def test_other_mistakes_are_refused_with_a_sentence() -> None:
    with pytest.raises(SerialInvalid):
        slips_pdf([replace(SLIP, serial="KM00010X")], Form.A5, ISSUED)
    for wrong in (
        [],
        [SLIP] * (MOST_SLIPS + 1),
        [replace(SLIP, url="mailto:desk")],
        [replace(SLIP, url="https://b.example/" + "r" * 275)],
    ):
        with pytest.raises(PrintRefused):
            slips_pdf(wrong, Form.HALF_A4, ISSUED)


@settings(max_examples=40, deadline=None)
@given(
    box=st.lists(st.text(max_size=120), max_size=12).map(tuple),
    design=st.text(max_size=90),
    site=st.text(max_size=40),
    virtual=st.booleans(),
    form=st.sampled_from(list(Form)),
)
def test_whatever_is_written_stays_on_the_slip_or_is_refused(
    box: tuple[str, ...], design: str, site: str, virtual: bool, form: Form
) -> None:
    try:
        pdf = slips_pdf([replace(SLIP, box=box, design=design, site=site, virtual=virtual)], form, ISSUED)
    except BenchworthyError as refused:
        assert refused.detail and refused.advice
        return
    bottom = 205 if form is Form.A5 else 143.5
    right = 143 if form is Form.A5 else 205
    assert all(spot.left > 5 and spot.right < right and spot.top > 5 and spot.bottom < bottom for spot in spots(pdf))
    assert pages_text(pdf)[0].isprintable()
