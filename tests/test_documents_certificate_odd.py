"""Certificates that are long, odd, hostile, or cannot be printed."""

import hashlib
from dataclasses import replace

import pytest

from benchworthy.documents import certificate_parts
from benchworthy.documents.certificate import CertificateCopy, certificate_pdf
from benchworthy.errors import PrintRefused
from benchworthy.reports.signed import CERTIFICATE_TYPE
from papers import (
    ADDRESS,
    SIGNER,
    attachments,
    document,
    pages_text,
    printed,
    quantity,
    seen_codes,
    seen_text,
    spots,
    test_entry,
)

ID = "c-0123456789abcdef0123"
COPY = printed(document())


# --- long, odd and hostile ------------------------------------------------------------------------------------------


def test_three_hundred_tests_are_all_there_and_nothing_leaves_the_page() -> None:
    """Each once, in order, each page with the head of the table; no text in a margin."""
    word = "Donaudampfschifffahrtselektrizitätenhauptbetriebswerkbauunterbeamtengesellschaft"
    results = [
        test_entry(
            f"TEST-{n:03}", f"{word} {n}", *(quantity(f"Ω µ é {k}", "4.98", "0.1") for k in range(n % 4)), remark="r" * 500
        )
        for n in range(300)
    ]
    pdf = certificate_pdf(printed(document(*results)))
    pages = pages_text(pdf)
    said = " ".join(pages)
    places = [said.index(f"TEST-{n:03}") for n in range(300)]
    assert places == sorted(places)
    assert all(said.count(f"TEST-{n:03}") == 1 for n in range(300))
    assert all("quantity value U (k = 2)" in page for page in pages if "TEST-" in page)
    for number in range(len(pages)):
        for spot in spots(pdf, number):
            assert spot.left >= 17 and spot.right <= 210 - 17, (number, spot)
            assert spot.top >= 5 and spot.bottom <= 297 - 5, (number, spot)


def test_what_a_newer_results_document_says_is_printed_too() -> None:
    """Loans, kinds of fixtures, who inspected: not known here by name, and not lost; nor is a waiver that says little."""
    newer = document(
        waivers=[{"test": "WIFI-RSSI", "reason": "no radio room", "by": "C1", "until": "2026-12-31", "scope": "indoors"}],
        stages=[{"stage": 2, "builder": "B1", "lot": "K-7"}],
        accessories=[{"name": "USB lead", "count": 1}],
        fixtures=[{"serial": "TP4-0007", "kind": "test plug", "checked": "2026-11-25"}],
    )
    newer["people"]["inspected"] = "I2, who did not build it"
    newer["results"][0]["witness"] = "PWR-DMM5"
    newer["results"][0]["quantities"][0] |= {"low": None}
    said = seen_text(certificate_pdf(printed(newer)))
    plain = " ".join(said.split())
    assert "WIFI-RSSI: not in limits. Let go until 2026-12-31 00:00 UTC by C1: no radio room; scope: indoors" in plain
    assert "Stage 2: built by B1, looked at by -. Lot: K-7." in plain
    assert "Accessories: count 1, name USB lead" in said
    assert "checked 2026-11-25, kind test plug, serial TP4-0007" in said
    assert "Inspected: I2, who did not build it" in said
    assert "witness: PWR-DMM5" in said
    assert "at most 5.2 V" in said


def test_hostile_text_is_spelled_out_and_moves_nothing() -> None:
    """Direction marks, control characters, the writer's own page alias, scripts: text like any other."""
    evil = document(bench="b\u202e\x1b[2J{nb}<script>", place="批次" * 100)
    evil["results"][0]["remark"] = "\u200f\ud83d" + "x" * 5000
    said = seen_text(certificate_pdf(printed(evil)))
    assert "b[U+202E][U+001B][2J{nb}<script>" in said
    assert "[U+6279][U+6B21]" in said and "…" in said


def test_a_marginal_or_worse_verdict_stands_out_in_bold() -> None:
    """Weight, not colour: it survives a black and white printer."""
    assert certificate_parts._weight("in limits") != certificate_parts._weight("marginal")
    result = test_entry("PWR-V5", "Supply V5", quantity("V5", "5.21", "0.078", verdict="marginal"), verdict="marginal")
    assert "marginal" in seen_text(certificate_pdf(printed(document(result))))


def test_a_token_too_long_for_a_code_is_still_inside_and_the_page_says_so() -> None:
    """The paper of a certificate that was issued can always be had."""
    copy = printed(document(), site="s" * 700)
    pdf = certificate_pdf(copy)
    assert [text for page in seen_codes(pdf) for text in page] == [ADDRESS]
    assert f"The token has {len(copy.token)} characters" in seen_text(pdf)
    assert attachments(pdf)[f"{ID}.jws"] == copy.token.encode()


def test_the_largest_code_is_still_read_from_paper_at_300_and_200_dots() -> None:
    """A token of 1059 characters, the most that fits into version 26."""
    for pad in range(400):
        copy = printed(document(), pad="p" * pad)
        if len(copy.token) >= 1057:
            break
    assert 1057 <= len(copy.token) <= 1059
    for dots in (300, 200):
        assert copy.token in [text for page in seen_codes(certificate_pdf(copy), dots) for text in page]


# --- refusals -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("copy", "told"),
    [
        (replace(COPY, results=COPY.results + " "), "not the one that the certificate names"),
        (replace(COPY, token="no token"), "no signed token"),
        (replace(COPY, token="a.!!!!.c"), "no signed token"),
        (replace(COPY, token="a.W10.c"), "holds no claims"),
        (replace(COPY, url="javascript:alert(1)"), "no web address"),
        (replace(COPY, url="https://b.example/\u202e"), "no web address"),
        (replace(COPY, url="https://b.example/" + "x" * 300), "no web address"),
    ],
)
def test_what_cannot_be_printed_is_refused_with_a_sentence(copy: CertificateCopy, told: str) -> None:
    with pytest.raises(PrintRefused) as refused:
        certificate_pdf(copy)
    assert told in str(refused.value)


def _named(text: str) -> CertificateCopy:
    """A copy whose token names whatever the text is."""
    return CertificateCopy(SIGNER.sign(CERTIFICATE_TYPE, {"results": hashlib.sha256(text.encode()).hexdigest()}), text, ADDRESS)


@pytest.mark.parametrize("text", ["", "[]", "{}", "null", '{"item": 7}', "[" * 50_000])
def test_results_of_another_form_are_refused_without_a_traceback(text: str) -> None:
    """Even when the token names them."""
    with pytest.raises(PrintRefused) as refused:
        certificate_pdf(_named(text))
    assert "cannot be read" in str(refused.value)
