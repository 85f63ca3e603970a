"""Certificates and labels as PDF over HTTP and by command: read back by programs that did not write them."""

import dataclasses
import hashlib
import io
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pypdf
import pytest
import requests_mock
from openapi_spec_validator import validate
from werkzeug.test import TestResponse

from benchworthy import settings
from benchworthy.bench.client import Service
from benchworthy.cli.main import main
from benchworthy.errors import ServiceUnreachable, SettingsInvalid
from benchworthy.intake import label as labels
from benchworthy.keys.status import verify
from benchworthy.web import create_app
from papers import attachments, seen_codes, seen_text
from services.desk import certified, refused
from services.keeping import COMMAND, command, served
from services.service import Trial, trial

PUBLIC = "https://boards.example.org/kettlebrook"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Trial]:
    """A service without processes that knows its public address."""
    with trial(tmp_path_factory.mktemp("printing")) as started:
        services = dataclasses.replace(started.services, public_url=PUBLIC)
        started.services = services
        started.app = create_app(services)
        started.client = started.app.test_client()
        yield started


@pytest.fixture(scope="module")
def fit(made: Trial) -> str:
    """A board with a certificate."""
    return certified(made, "PRINT1")


def asked(made: Trial, certificate: str, accept: str) -> TestResponse:
    headers = {"Authorization": f"Bearer {made.secrets['reader']}", "Accept": accept}
    return made.client.get(f"/api/v1/certificates/{certificate}", headers=headers)


def is_pdf(answer: TestResponse) -> bytes:
    assert (answer.status_code, answer.mimetype) == (200, "application/pdf"), answer.text
    return answer.data


def newest(made: Trial, serial: str) -> dict[str, Any]:
    entry = next(e for e in made.get(f"/boards/{serial}/history")["entries"] if e["kind"] == "certified")
    found: dict[str, Any] = made.get(f"/certificates/{entry['facts']['certificate']}")
    return found


# --- certificates ---------------------------------------------------------------------------------------------------


def test_a_certificate_is_printed_with_its_token_and_results_inside(made: Trial, fit: str) -> None:
    """What is attached verifies against the service's own keys and hashes to what the certificate names."""
    certificate = newest(made, fit)
    answer = asked(made, certificate["id"], "application/pdf")
    pdf = is_pdf(answer)
    inside = attachments(pdf)
    token, results = inside[f"{certificate['id']}.jws"], inside[f"{certificate['id']}.results.json"]
    keys = made.client.get("/.well-known/jwks.json").json
    assert keys is not None
    assert verify(token.decode(), made.ask("GET", "/status-list").text, keys, made.clock()).exit == 0
    assert hashlib.sha256(results).hexdigest() == certificate["results"]
    assert answer.headers["Content-Disposition"] == f'inline; filename="{certificate["id"]}.pdf"'


def test_a_printed_certificate_says_what_the_record_says_and_its_codes_lead_to_page_and_token(made: Trial, fit: str) -> None:
    """Every test of the run, VIRTUAL on every page; twice the same bytes."""
    certificate = newest(made, fit)
    pdf = is_pdf(asked(made, certificate["id"], "application/pdf"))
    codes = seen_codes(pdf)
    assert codes[0] == [f"{PUBLIC}/c/{certificate['id']}"] and codes[-1] == [certificate["token"]]
    said = seen_text(pdf)
    for result in made.get(f"/certificates/{certificate['id']}/results")["results"]:
        assert result["test"] in said
    pages = len(pypdf.PdfReader(io.BytesIO(pdf)).pages)
    assert said.count("VIRTUAL") >= pages and f"page {pages} of {pages}" in said
    assert pdf == is_pdf(asked(made, certificate["id"], "application/pdf"))


@pytest.mark.parametrize(
    ("accept", "kind"),
    [
        ("application/pdf", "application/pdf"),
        ("application/pdf, application/problem+json", "application/pdf"),
        ("application/pdf;q=0.5, application/jose", "application/jose"),
        ("application/json", "application/json"),
        ("*/*", "application/json"),
    ],
)
def test_who_asks_chooses_the_form_of_a_certificate(made: Trial, fit: str, accept: str, kind: str) -> None:
    """And a cache between is told that it depends on that."""
    answer = asked(made, newest(made, fit)["id"], accept)
    assert (answer.status_code, answer.mimetype, answer.headers["Vary"]) == (200, kind, "Accept")


def test_a_certificate_that_is_not_on_record_is_a_problem_document_also_for_who_wants_to_print(made: Trial) -> None:
    refused(asked(made, "c-00000000000000000000", "application/pdf"), 404, "unknown-certificate")


# --- labels ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("query", "width"), [("", 62), ("?size=62x29", 62), ("?size=50x25", 50)])
def test_a_boards_label_holds_only_the_address_of_its_page(made: Trial, fit: str, query: str, width: float) -> None:
    answer = made.ask("GET", f"/boards/{fit}/label{query}", role="reader")
    pdf = is_pdf(answer)
    assert seen_codes(pdf) == [[f"{PUBLIC}/c/{fit}"]]
    assert answer.headers["Link"] == f'<{PUBLIC}/c/{fit}>; rel="related"'
    said = seen_text(pdf)
    assert "Tarn rev B" in said and "VIRTUAL" in said
    assert float(pypdf.PdfReader(io.BytesIO(pdf)).pages[0].mediabox.width) * 25.4 / 72 == pytest.approx(width, abs=0.01)


def test_a_label_is_printed_for_a_board_without_a_certificate_and_for_no_stranger(made: Trial) -> None:
    """A carrier gets its label before its first test; nobody's board gets none."""
    new = made.enrol("PRINT2", virtual=False)["serial"]
    assert "VIRTUAL" not in seen_text(is_pdf(made.ask("GET", f"/boards/{new}/label")))
    refused(made.ask("GET", f"/boards/{labels.complete('NOBODY')}/label"), 404, "unknown-serial")
    refused(made.ask("GET", f"/boards/{new[:-1]}{'A' if new[-1] != 'A' else 'B'}/label"), 422, "serial-invalid")
    refused(made.ask("GET", f"/boards/{new}/label?size=1x1"), 422, "request-invalid")


def test_many_labels_come_on_sheets_from_the_first_free_place_or_one_a_page(made: Trial, fit: str) -> None:
    """In the order asked for; one board may get two."""
    other = made.enrol("PRINT3")["serial"]
    wanted = [other, fit, fit]
    urls = [f"{PUBLIC}/c/{serial}" for serial in wanted]
    sheet = is_pdf(made.ask("POST", "/labels", {"serials": wanted, "sheet": "a4-3x8", "first": 23}))
    assert seen_codes(sheet) == [sorted(urls[:2]), urls[2:]]
    answer = made.ask("POST", "/labels", {"serials": wanted, "size": "50x25"})
    assert seen_codes(is_pdf(answer)) == [[url] for url in urls]
    assert answer.headers["Link"] == f'<{PUBLIC}>; rel="related"'


def test_labels_are_refused_whole_and_every_board_that_is_not_there_is_named(made: Trial, fit: str) -> None:
    strangers = [labels.complete("NOBODY"), labels.complete("NOONE")]
    document = refused(made.ask("POST", "/labels", {"serials": [fit, *strangers], "size": "50x25"}), 404, "unknown-serial")
    assert document["serials"] == strangers and all(serial in document["detail"] for serial in strangers)


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({}, "serials"),
        ({"serials": [], "sheet": "a4-3x8"}, "serials"),
        ({"serials": ["KM00011"], "sheet": "a4-3x8"}, "serials"),
        ({"serials": ["PRINT"], "sheet": "a4-9x9"}, "sheet"),
        ({"serials": None, "sheet": "a4-3x8"}, "serials"),
        ({"serials": ["<>"] * 501, "sheet": "a4-3x8"}, "serials"),
        ({"sheet": "a4-3x8", "size": "50x25"}, "sheet"),
        ({"size": None, "sheet": None}, "sheet"),
        ({"size": "50x25", "first": 2}, "first"),
        ({"sheet": "a4-3x8", "first": 0}, "first"),
        ({"sheet": "a4-3x8", "first": 1.5}, "first"),
        ({"sheet": "a4-3x8", "colour": "red"}, "colour"),
    ],
)
def test_a_request_for_labels_that_is_wrong_names_its_field(made: Trial, fit: str, body: dict[str, Any], field: str) -> None:
    given = {"serials": [fit], **body} if body else {}
    assert field in refused(made.ask("POST", "/labels", given), 422, "request-invalid")["errors"]


def test_a_place_that_this_sheet_does_not_have_is_refused_by_the_printer(made: Trial, fit: str) -> None:
    """Another sheet has it, so only the sheet itself can tell."""
    answer = made.ask("POST", "/labels", {"serials": [fit], "sheet": "a4-3x8", "first": 25})
    assert "1 to 24, not 25" in refused(answer, 422, "print-refused")["detail"]


def test_printing_changes_nothing_on_record(made: Trial, fit: str) -> None:
    before = made.rows()
    is_pdf(made.ask("POST", "/labels", {"serials": [fit], "size": "62x29"}, "reader"))
    is_pdf(asked(made, newest(made, fit)["id"], "application/pdf"))
    assert made.rows() == before


def test_the_specification_names_the_forms_of_paper(made: Trial) -> None:
    document = made.get("/openapi.json")
    validate(document)
    paths = document["paths"]
    assert set(paths["/api/v1/certificates/{certificate}"]["get"]["responses"]["200"]["content"]) == {
        "application/json",
        "application/jose",
        "application/pdf",
    }
    for path, method in (("/api/v1/labels", "post"), ("/api/v1/boards/{serial}/label", "get")):
        assert set(paths[path][method]["responses"]["200"]["content"]) == {"application/pdf"}


def test_the_pdf_writer_is_not_loaded_before_the_first_print() -> None:
    """It takes long, and the listener and most commands never print."""
    look = "import sys, benchworthy.web, benchworthy.cli.label; sys.exit('fpdf' in sys.modules or 'segno' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", look], timeout=60).returncode == 0


# --- the setting ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given", "public"),
    [
        ({}, "http://127.0.0.1:8780"),
        ({"BENCHWORTHY_HTTP": "192.0.2.7:81"}, "http://192.0.2.7:81"),
        ({"BENCHWORTHY_HTTP": "[::1]:8780"}, "http://[::1]:8780"),
        ({"BENCHWORTHY_HTTP": "::1:8780"}, "http://[::1]:8780"),
        ({"BENCHWORTHY_HTTP": "*:8780"}, "http://*:8780"),
        ({"BENCHWORTHY_HTTP": "web_1:8780", "BENCHWORTHY_PUBLIC_URL": ""}, "http://web_1:8780"),
        ({"BENCHWORTHY_HTTP": "192.0.2.7:81", "BENCHWORTHY_PUBLIC_URL": PUBLIC + "/"}, PUBLIC),
        ({"BENCHWORTHY_PUBLIC_URL": "http://boards.local:8780"}, "http://boards.local:8780"),
    ],
)
def test_codes_lead_to_the_public_address_or_else_to_where_http_is_served(given: dict[str, str], public: str) -> None:
    assert settings.read(given).public_url == public


@pytest.mark.parametrize(
    "text",
    ["boards.example.org", "ftp://b.example", "javascript:alert(1)", "https://", "https://me:pw@b.example", "https://b.example/?a",
     "https://b.example/#x", "http://b.example/a b",
     "https://b.example\n", "https://b\u00fccher.example", "http://" + "b" * 99 + ".example/" + "c" * 99],
)  # fmt: skip
def test_a_public_address_that_no_scanner_should_follow_is_refused_at_the_start(text: str) -> None:
    with pytest.raises(SettingsInvalid, match="BENCHWORTHY_PUBLIC_URL"):
        settings.read({"BENCHWORTHY_PUBLIC_URL": text})


# --- the command ----------------------------------------------------------------------------------------------------


def test_the_command_prints_labels_of_the_real_service(tmp_path: Path) -> None:
    """To a file and to the standard output; a wrong label, a stranger and a place that is not there leave no file."""
    with served(tmp_path) as (made, service, given):
        serials = [made.enrol(f"CLI00{number}")["serial"] for number in (1, 2)]
        env = {**given, "BENCHWORTHY_URL": service.url, "BENCHWORTHY_TOKEN": made.secrets["reader"]}
        out = tmp_path / "labels.pdf"
        done = command("label", *serials, "--sheet", "a4-3x8", "--first", "24", "--out", out, settings=env)
        urls = [f"{service.url}/c/{serial}" for serial in serials]
        assert seen_codes(out.read_bytes()) == [[url] for url in urls]
        assert f"2 labels in {out}; the codes lead to {service.url}" in done.stdout
        assert "BENCHWORTHY_PUBLIC_URL" in done.stderr, "127.0.0.1 is no address for a label"
        words = [*COMMAND, "label", serials[0], "--size", "50x25", "--out", "-"]
        piped = subprocess.run(words, env=env, capture_output=True, timeout=60, check=True)
        assert seen_codes(piped.stdout) == [[urls[0]]] and b"1 label in -" in piped.stderr
        for refusal, code in (
            ([labels.complete("NOBODY"), "--size", "50x25"], "unknown-serial"),
            ([serials[0][:-1], "--size", "50x25"], "serial-invalid"),
            ([serials[0], "--sheet", "a4-3x8", "--first", "25"], "print-refused"),
            ([serials[0], "--size", "50x25", "--first", "2"], "request-invalid"),
        ):
            there = tmp_path / "refused.pdf"
            assert code in command("label", *refusal, "--out", there, settings=env, code=2).stderr and not there.exists()
        gone = tmp_path / "gone" / "labels.pdf"
        assert "write-failed" in command("label", serials[0], "--size", "50x25", "--out", gone, settings=env, code=2).stderr


def test_the_command_asks_for_paper_and_place() -> None:
    """Neither sheet nor size, both, or an unknown one: usage, exit 2."""
    for words in ([], ["--sheet", "a4-3x8", "--size", "50x25"], ["--size", "1x1"]):
        with pytest.raises(SystemExit) as ended:
            main(["label", "KM00010O", *words, "--out", "x.pdf"])
        assert ended.value.code == 2


def test_an_answer_that_is_no_pdf_is_not_taken_for_labels() -> None:
    """A proxy's page with status 200 would otherwise end up at the printer; a busy service is asked again."""
    with requests_mock.Mocker(case_sensitive=True) as http:
        busy = {"status_code": 503, "headers": {"Retry-After": "1"}, "json": {"code": "storage-busy", "detail": "Busy."}}
        good = {"content": b"%PDF-1.7 ...", "headers": {"Link": f'<{PUBLIC}>; rel="related"'}}
        http.post(f"{PUBLIC}/api/v1/labels", [busy, good])
        assert Service(PUBLIC, "bw_x", lambda _: None).post_for_pdf("/api/v1/labels", {}) == (b"%PDF-1.7 ...", PUBLIC)
        assert http.request_history[0].headers["Accept"].startswith("application/pdf")
        for other in ({"text": "<h1>Log in</h1>"}, {"json": {"pdf": "yes"}}):
            http.post(f"{PUBLIC}/api/v1/labels", **other)
            with pytest.raises(ServiceUnreachable):
                Service(PUBLIC, "bw_x").post_for_pdf("/api/v1/labels", {})
