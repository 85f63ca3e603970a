"""The certificate on paper: read back by programs that did not write it."""

import io
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pypdf
import pytest
from joserfc.jwk import OKPKey

from benchworthy.documents import wording
from benchworthy.documents.certificate import CertificateCopy, certificate_pdf
from benchworthy.keys.signer import SiteSigner
from benchworthy.keys.status import Exit, verify
from benchworthy.reports.signed import IN_FORCE, STATUS_LIST_TYPE
from papers import (
    ADDRESS,
    ISSUED,
    SERIAL,
    SIGNER,
    attachments,
    document,
    pages_text,
    printed,
    quantity,
    seen_codes,
    seen_text,
    test_entry,
)
from services.service import Trial, trial

ID = "c-0123456789abcdef0123"
COPY = printed(document())


@pytest.fixture(scope="module")
def paper() -> bytes:
    return certificate_pdf(COPY)


def judged(token: bytes) -> Exit:
    """What `benchworthy verify` says of a token a day after its issue, with today's status list."""
    now = ISSUED + timedelta(days=1)
    listed = {"site": "kettlebrook", "iat": int(now.timestamp()), "certificates": {ID: IN_FORCE}}
    return verify(token.decode(), SIGNER.sign(STATUS_LIST_TYPE, listed), SIGNER.jwks(), now).exit


# --- read back ------------------------------------------------------------------------------------------------------


def test_a_scanner_reads_the_page_and_the_token(paper: bytes) -> None:
    """zxing reads what PDFium drew: the address on the first page, the whole token once."""
    codes = seen_codes(paper)
    assert ADDRESS in codes[0]
    assert sorted(text for page in codes for text in page) == sorted([ADDRESS, COPY.token])


def test_the_token_in_the_code_holds(paper: bytes) -> None:
    """Scanned from paper, checked offline, and in force."""
    scanned = next(text for page in seen_codes(paper) for text in page if text != ADDRESS)
    assert judged(scanned.encode()) is Exit.IN_FORCE
    assert judged((scanned[:-6] + "AAAAAA").encode()) is Exit.SIGNATURE_BAD


def test_the_files_inside_are_the_token_and_the_results_byte_for_byte(paper: bytes) -> None:
    """The attached token holds, and names the attached results by their SHA-256."""
    files = attachments(paper)
    assert set(files) == {f"{ID}.jws", f"{ID}.results.json"}
    assert files[f"{ID}.jws"] == COPY.token.encode()
    assert files[f"{ID}.results.json"] == COPY.results.encode()
    assert judged(files[f"{ID}.jws"]) is Exit.IN_FORCE


def test_each_file_inside_says_of_which_kind_it_is(paper: bytes) -> None:
    """application/jose (RFC 7515) and application/json, with the certificate's date."""
    root = pypdf.PdfReader(io.BytesIO(paper)).trailer["/Root"]
    kinds = {f["/F"]: f["/EF"]["/F"].get_object() for f in (item.get_object() for item in root["/AF"])}
    assert {str(stream["/Subtype"]) for stream in kinds.values()} == {"/application/jose", "/application/json"}
    assert {stream["/Params"]["/ModDate"] for stream in kinds.values()} == {"D:20261125143000Z"}


@pytest.mark.parametrize("read", [seen_text, lambda pdf: " ".join(pages_text(pdf))], ids=["poppler", "pypdf"])
def test_two_readers_find_everything_that_a_certificate_says(paper: bytes, read: Any) -> None:
    """Who, what, when, on which evidence, by which rule; and what it is not."""
    said = read(paper)
    item = json.loads(COPY.results)
    for words in (
        wording.TITLE,
        wording.NO_INSPECTION,
        "Tarn rev B",
        item["item"]["module"],
        item["run"],
        item["method"]["judging"],
        item["method"]["coverage"],
        "2026-11-25 14:30 UTC",
        "2027-02-23 14:30 UTC",
        "TP4-0007; M1-0002",
        "Limits are not widened by U.",
        "PWR-V5 Supply V5",
        "4.988 V",
        "0.078",
        "4.8 to 5.2 V",
        "98.77 %",
        "by board; conditions: jack; usb; limits from: S9",
        "T4 answered: LED-SEE",
        "I2 answered: VIS-INSP",
        f"{2:032x}",
        "No lithium-ion cells.",
        "End of the results.",
        ADDRESS,
    ):
        assert words in said, words


def test_the_serial_number_stands_large_with_its_check_character_apart(paper: bytes) -> None:
    assert f"{SERIAL[:-1]} {SERIAL[-1]}" in seen_text(paper)


def test_every_page_says_whose_it_is_and_that_none_is_missing(paper: bytes) -> None:
    pages = pages_text(paper)
    for number, page in enumerate(pages, start=1):
        assert f"page {number} of {len(pages)}" in page
        assert ID in page and SERIAL in page


def test_a_reader_program_is_told_title_language_and_structure(paper: bytes) -> None:
    """Headings and paragraphs are tagged in reading order; codes have words for who cannot see them."""
    reader = pypdf.PdfReader(io.BytesIO(paper))
    root = reader.trailer["/Root"]
    assert (root["/Lang"], root["/MarkInfo"]["/Marked"]) == ("en", True)
    assert root["/ViewerPreferences"]["/DisplayDocTitle"] == True  # noqa: E712 (pypdf's own boolean)
    assert reader.metadata is not None
    assert reader.metadata.title == f"{wording.TITLE}: {SERIAL}, {ID}"
    parts = [part.get_object() for part in root["/StructTreeRoot"]["/K"][0].get_object()["/K"]]
    kinds = [str(part["/S"]) for part in parts]
    assert kinds[0] == "/H1" and kinds.count("/H1") == 1
    assert kinds.count("/H2") >= 6
    figures = [part["/Alt"] for part in parts if part["/S"] == "/Figure"]
    assert figures == [
        f"QR code of the certificate's page: {ADDRESS}",
        "QR code of the signed certificate, a JWS in compact form",
    ]


def test_marks_and_tags_agree_on_every_page(paper: bytes) -> None:
    """Each mark in a page's content has one element of the structure, in the order of their numbers."""
    reader = pypdf.PdfReader(io.BytesIO(paper))
    tree = reader.trailer["/Root"]["/StructTreeRoot"]["/ParentTree"]["/Nums"]
    by_page = {int(tree[place]): tree[place + 1] for place in range(0, len(tree), 2)}
    for page in reader.pages:
        content = page.get_contents()
        assert content is not None
        marks = content.get_data().count(b"/MCID")
        elements = [element.get_object() for element in by_page[page["/StructParents"]]]
        assert [element["/K"][0] for element in elements] == list(range(marks))
        assert content.get_data().count(b" BDC") + content.get_data().count(b" BMC") == content.get_data().count(b"EMC")


def test_the_typeface_is_inside_and_only_what_is_used(paper: bytes) -> None:
    """Subsets of both weights; no text rests on what the reader's machine has."""
    told = subprocess.run(["pdffonts", "-"], input=paper, capture_output=True, check=True, timeout=60).stdout.decode()
    rows = [line.split() for line in told.splitlines()[2:]]
    assert sorted(row[0] for row in rows) == ["MPDFAA+FiraSans", "MPDFAA+FiraSansBold"]
    assert all(row[-5:-2] == ["yes", "yes", "yes"] for row in rows), "embedded, subset, with a map to Unicode"
    assert len(paper) < 100_000


# --- the same bytes -------------------------------------------------------------------------------------------------


def test_the_same_certificate_gives_the_same_bytes() -> None:
    assert certificate_pdf(COPY) == certificate_pdf(replace(COPY))


def test_another_process_elsewhere_gives_the_same_bytes(paper: bytes, tmp_path: Path) -> None:
    """Another time zone, language, hash seed and folder."""
    (tmp_path / "token").write_text(COPY.token)
    (tmp_path / "results").write_text(COPY.results)
    program = (
        "import sys\nfrom pathlib import Path\nfrom benchworthy.documents.certificate import CertificateCopy, certificate_pdf\n"
        "sys.stdout.buffer.write(certificate_pdf(CertificateCopy(Path('token').read_text(), Path('results').read_text(), "
        f"{ADDRESS!r})))\n"
    )
    elsewhere = {**os.environ, "TZ": "Pacific/Auckland", "LC_ALL": "C", "PYTHONHASHSEED": "7", "SOURCE_DATE_EPOCH": "0"}
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=tmp_path, env=elsewhere, capture_output=True, timeout=60, check=True
    )
    assert done.stdout == paper


def test_another_certificate_gives_other_bytes(paper: bytes) -> None:
    """Seen red: the comparison above could not tell anything if nothing ever changed the bytes."""
    assert certificate_pdf(printed(document(run="r-other"))) != paper


# --- virtual boards -------------------------------------------------------------------------------------------------


def test_a_virtual_boards_certificate_says_so_on_every_page() -> None:
    """Large on the first page, in the head of all others, and in the file's own description."""
    results = [test_entry(f"T-{n}", "A test", quantity("V", "5.0", "0.1")) for n in range(60)]
    pdf = certificate_pdf(printed(document(*results, virtual=True), virtual=True))
    pages = pages_text(pdf)
    assert len(pages) > 2
    assert all("VIRTUAL" in page for page in pages)
    assert wording.VIRTUAL_MEANS in pages[0]
    metadata = pypdf.PdfReader(io.BytesIO(pdf)).metadata
    assert metadata is not None and "VIRTUAL" in str(metadata.subject)


@pytest.mark.parametrize(("item", "claim"), [(True, {}), (False, {"virtual": True})])
def test_either_word_of_it_is_enough(item: bool, claim: dict[str, Any]) -> None:
    """If token and results ever disagreed, the paper would take the side of doubt."""
    assert "VIRTUAL" in seen_text(certificate_pdf(printed(document(virtual=item), **claim)))


def test_a_real_boards_certificate_does_not_hold_the_word(paper: bytes) -> None:
    assert "VIRTUAL" not in seen_text(paper)


# --- the real thing -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Trial]:
    with trial(tmp_path_factory.mktemp("service")) as made:
        yield made


def test_a_certificate_of_the_running_service_prints_and_its_paper_holds(service: Trial) -> None:
    """Issued over HTTP, printed, taken out of the paper again, verified with the published keys and status list."""
    serial = service.enrol("KM0042")["serial"]
    service.whole_run(serial)
    issued = service.certify(serial).json
    assert issued is not None
    results = service.ask("GET", f"/certificates/{issued['id']}/results").text
    pdf = certificate_pdf(CertificateCopy(issued["token"], results, ADDRESS))
    keys = service.client.get("/.well-known/jwks.json").json
    assert keys is not None
    status = service.ask("GET", "/status-list", role=None).text
    token = attachments(pdf)[f"{issued['id']}.jws"].decode()
    assert verify(token, status, keys, service.clock()).exit is Exit.IN_FORCE
    assert verify(token, status, SiteSigner(OKPKey.generate_key("Ed25519")).jwks(), service.clock()).exit is Exit.SIGNATURE_BAD
    assert issued["token"] in [text for page in seen_codes(pdf) for text in page], f"{len(issued['token'])} characters"
    said = seen_text(pdf)
    assert "VIRTUAL" in said, "the board of this test is a simulation"
    for entry in json.loads(results)["results"]:
        assert entry["test"] in said
