"""The bench's HTTP client: what the service refuses is an error with the service's own code, and waits are bounded."""

import json
import socket
import threading
from collections.abc import Iterator

import pytest
import requests
import requests_mock

from benchworthy.bench.client import LONGEST_WAIT_S, TRIES, Service, ServiceSaid
from benchworthy.errors import BenchworthyError, ServiceUnreachable
from benchworthy.reports.token import digest

BASE = "http://bench.example"
REPORTS = f"{BASE}/api/v1/reports"
RECEIPT = {"v": 1, "report": digest(b"a.b.c"), "verdict": "in limits", "mac": ""}


@pytest.fixture
def http() -> Iterator[requests_mock.Mocker]:
    """Answers in the service's place; paths and queries keep their case."""
    with requests_mock.Mocker(case_sensitive=True) as mocker:
        yield mocker


def test_503_with_retry_after_is_tried_again(http: requests_mock.Mocker) -> None:
    """The service was busy and says when to come back; the receipt then arrives."""
    busy = {"status_code": 503, "headers": {"Retry-After": "2"}, "json": {"code": "storage-busy", "detail": "Busy."}}
    http.post(REPORTS, [busy, {"status_code": 201, "json": RECEIPT}])
    slept: list[float] = []
    assert Service(BASE + "/", "bw_x", slept.append).send_report(b"a.b.c") == RECEIPT
    assert slept == [2.0]
    first = http.request_history[0]
    assert (first.body, first.headers["Content-Type"]) == (b"a.b.c", "application/jose")
    assert first.headers["Authorization"] == "Bearer bw_x"


def test_a_service_that_stays_busy_is_given_up(http: requests_mock.Mocker) -> None:
    """Tries and waits are both bounded, whatever Retry-After says."""
    http.post(REPORTS, status_code=503, headers={"Retry-After": "86400"}, json={"code": "storage-busy"})
    slept: list[float] = []
    with pytest.raises(ServiceSaid) as fault:
        Service(BASE, "bw_x", slept.append).send_report(b"a.b.c")
    assert (fault.value.code, fault.value.status) == ("storage-busy", 503)
    assert slept == [LONGEST_WAIT_S] * (TRIES - 1)


@pytest.mark.parametrize("header", [None, "", "soon", "-1", "1.5", "Wed, 21 Oct 2015 07:28:00 GMT"])
def test_503_without_seconds_is_not_tried_again(http: requests_mock.Mocker, header: str | None) -> None:
    """Only a service that says when to come back has said that it did nothing."""
    headers = {} if header is None else {"Retry-After": header}
    http.post(REPORTS, status_code=503, headers=headers, text="gateway")
    with pytest.raises(ServiceUnreachable):
        Service(BASE, "bw_x", lambda seconds: None).send_report(b"a.b.c")
    assert http.call_count == 1


def test_a_problem_becomes_an_error_with_its_code(http: requests_mock.Mocker) -> None:
    """Code, detail, advice, status and every further member as a fact (RFC 9457); facts may bear any name."""
    problem = {
        "type": "about:blank",
        "title": "Conflict",
        "status": 409,
        "detail": "No second draw.",
        "code": "draw-refused",
        "advice": "Answer first.",
        "test": "LED-SEE",
        "self": 1,
    }
    http.post(f"{BASE}/api/v1/runs/r-abcd/draws", status_code=409, json=problem)
    with pytest.raises(BenchworthyError) as fault:
        Service(BASE, "bw_x").draw("r-abcd", "LED-SEE")
    assert isinstance(fault.value, ServiceSaid)
    assert (fault.value.code, fault.value.status, fault.value.advice) == ("draw-refused", 409, "Answer first.")
    assert fault.value.facts == {"test": "LED-SEE", "self": 1}
    assert str(fault.value) == "No second draw. Answer first."


@pytest.mark.parametrize("text", ['{"v": 1, "report": "00', "", "[]", "<html>", "null"])
def test_a_truncated_answer_is_no_receipt(http: requests_mock.Mocker, text: str) -> None:
    """Half an answer counts as none."""
    http.post(REPORTS, status_code=201, text=text)
    with pytest.raises(ServiceUnreachable) as fault:
        Service(BASE, "bw_x").send_report(b"a.b.c")
    assert fault.value.facts["how"] == "broken-answer"


def test_a_service_that_cannot_be_reached_is_said_so(http: requests_mock.Mocker) -> None:
    """Refused, timed out, cut off: all one to the person, who starts the service."""
    for cause in (requests.ConnectionError, requests.ReadTimeout, requests.exceptions.ChunkedEncodingError):
        http.get(f"{BASE}/api/v1/runs/r-abcd", exc=cause)
        with pytest.raises(ServiceUnreachable, match=cause.__name__):
            Service(BASE, "bw_x").get_run("r-abcd")


def test_redirects_are_not_followed(http: requests_mock.Mocker) -> None:
    """The token goes nowhere but to the service that was named."""
    http.get(f"{BASE}/api/v1/runs/r-abcd", status_code=302, headers={"Location": "http://elsewhere.example/"})
    with pytest.raises(ServiceSaid) as fault:
        Service(BASE, "bw_x").get_run("r-abcd")
    assert (fault.value.code, http.call_count) == ("http-302", 1)


def test_each_method_goes_to_its_path(http: requests_mock.Mocker) -> None:
    """Paths and bodies as the interface has them; names are escaped."""
    http.register_uri(requests_mock.ANY, requests_mock.ANY, json={"run": "r-abcd"})
    service = Service(BASE, "bw_x")
    service.open_run("A/B", "first", "thumb", ("TP4-0007",), "LABEL")
    service.answer("r-abcd", {"answers": []})
    service.draw("r-abcd", "LED-SEE")
    service.get_run("r-abcd")
    service.close("r-abcd")
    assert [(sent.method, sent.url.removeprefix(BASE)) for sent in http.request_history] == [
        ("POST", "/api/v1/boards/A%2FB/runs"),
        ("POST", "/api/v1/runs/r-abcd/answers"),
        ("POST", "/api/v1/runs/r-abcd/draws"),
        ("GET", "/api/v1/runs/r-abcd"),
        ("POST", "/api/v1/runs/r-abcd/close"),
    ]
    opened = {"set": "first", "bench": "thumb", "fixtures": ["TP4-0007"], "scanned": "LABEL"}
    assert http.request_history[0].json() == opened


def test_a_report_whose_answer_was_lost_is_sent_again_as_it_was(http: requests_mock.Mocker) -> None:
    """The service had stored it when the time ran out: the same bytes are answered 200 with the same receipt."""
    http.post(REPORTS, [{"exc": requests.ReadTimeout}, {"status_code": 200, "json": RECEIPT}])
    service = Service(BASE, "bw_x", lambda seconds: None)
    with pytest.raises(ServiceUnreachable):
        service.send_report(b"a.b.c")
    assert service.send_report(b"a.b.c") == RECEIPT
    assert [sent.body for sent in http.request_history] == [b"a.b.c", b"a.b.c"]


def test_an_answer_whose_answer_was_lost_is_the_same_request_again(http: requests_mock.Mocker) -> None:
    """By its Idempotency-Key, which another answer and another run do not share."""
    http.post(f"{BASE}/api/v1/runs/r-abcd/answers", [{"exc": requests.ReadTimeout}, {"json": {"run": "r-abcd"}}])
    http.post(f"{BASE}/api/v1/runs/r-other/answers", json={"run": "r-other"})
    service = Service(BASE, "bw_x", lambda seconds: None)
    body = {"answers": [{"test": "LED-SEE", "draw": 1, "text": "3"}]}
    with pytest.raises(ServiceUnreachable):
        service.answer("r-abcd", body)
    service.answer("r-abcd", body)
    service.answer("r-other", body)
    service.answer("r-abcd", {"answers": [{"test": "LED-SEE", "draw": 1, "text": "4"}]})
    first, again, other, third = [sent.headers["Idempotency-Key"] for sent in http.request_history]
    assert first == again and len({first, other, third}) == 3


def test_a_first_sending_that_is_still_under_way_is_waited_for(http: requests_mock.Mocker) -> None:
    """The service says 409 and when to come back; any other 409 is a refusal at once."""
    path = f"{BASE}/api/v1/runs/r-abcd/answers"
    busy = {"status_code": 409, "headers": {"Retry-After": "1"}, "json": {"code": "request-in-flight", "detail": "Now."}}
    http.post(path, [busy, busy, {"status_code": 201, "json": {"run": "r-abcd"}}])
    slept: list[float] = []
    assert Service(BASE, "bw_x", slept.append).answer("r-abcd", {"answers": []}) == {"run": "r-abcd"}
    assert slept == [1.0, 1.0]
    http.post(path, status_code=409, headers={"Retry-After": "1"}, json={"code": "answer-refused", "detail": "Twice."})
    with pytest.raises(ServiceSaid):
        Service(BASE, "bw_x", slept.append).answer("r-abcd", {"answers": []})
    assert len(slept) == 2


@pytest.mark.parametrize(
    ("status", "code"), [(409, "report-for-another"), (413, "report-too-large"), (401, "report-key-unknown"), (400, "x")]
)
def test_a_refused_report_is_not_sent_again(http: requests_mock.Mocker, status: int, code: str) -> None:
    """What the service does not want it does not want the second time either."""
    http.post(REPORTS, status_code=status, json={"code": code, "detail": "No."}, headers={"Retry-After": "1"})
    with pytest.raises(ServiceSaid) as fault:
        Service(BASE, "bw_x", lambda seconds: None).send_report(b"a.b.c")
    assert (fault.value.code, fault.value.status, http.call_count) == (code, status, 1)


@pytest.mark.parametrize("told", [{}, {"ok": True}, {**RECEIPT, "report": digest(b"another")}, {**RECEIPT, "report": None}])
def test_an_answer_that_is_no_receipt_of_this_report_is_none(http: requests_mock.Mocker, told: dict[str, object]) -> None:
    """A network's welcome page, or a receipt of something else: the report was not taken."""
    http.post(REPORTS, status_code=200, json=told)
    with pytest.raises(ServiceUnreachable) as fault:
        Service(BASE, "bw_x").send_report(b"a.b.c")
    assert fault.value.facts["how"] == "broken-answer"


@pytest.mark.parametrize("kind", ["text/html", "text/plain; charset=utf-8", "application/octet-stream", ""])
def test_an_answer_of_another_kind_is_none(http: requests_mock.Mocker, kind: str) -> None:
    """Whatever its body looks like; an answer to a report, an answer or a question."""
    http.register_uri(requests_mock.ANY, requests_mock.ANY, json={**RECEIPT, "run": "r-abcd"}, headers={"Content-Type": kind})
    service = Service(BASE, "bw_x")
    for ask in (
        lambda: service.send_report(b"a.b.c"),
        lambda: service.get_run("r-abcd"),
        lambda: service.answer("r-abcd", {"answers": []}),
        lambda: service.get("/.well-known/jwks.json"),
    ):
        with pytest.raises(ServiceUnreachable):
            ask()


@pytest.mark.parametrize("kind", ["application/json", "Application/JSON; charset=utf-8", "application/jwk-set+json"])
def test_json_by_any_of_its_names_is_read(http: requests_mock.Mocker, kind: str) -> None:
    """RFC 8259 and the +json suffix of RFC 6839; a key set has a name of its own."""
    http.get(f"{BASE}/.well-known/jwks.json", json={"keys": []}, headers={"Content-Type": kind})
    assert Service(BASE, "bw_x").get("/.well-known/jwks.json") == {"keys": []}


def test_tickets_and_their_use_are_not_taken_from_anything_else(http: requests_mock.Mocker) -> None:
    """An answer without tickets, and one about another run, count as none."""
    http.post(f"{BASE}/api/v1/benches/thumb/tickets", json={"tickets": []})
    http.post(f"{BASE}/api/v1/runs/r-abcd/use", json={"run": "r-other"})
    service = Service(BASE, "bw_x")
    with pytest.raises(ServiceUnreachable, match="no tickets"):
        service.fetch_tickets("thumb", {})
    with pytest.raises(ServiceUnreachable, match="not about run"):
        service.use_ticket("r-abcd", {}, "k")


def test_a_refused_connection_and_half_an_answer_come_from_real_sockets() -> None:
    """Nothing listens; a peer that says how long its answer is and hangs up before its end."""
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        address = f"http://127.0.0.1:{listening.getsockname()[1]}"
        with pytest.raises(ServiceUnreachable, match="ConnectionError"):
            Service(address, "bw_x").send_report(b"a.b.c")
        listening.listen()
        peer = threading.Thread(target=_hang_up, args=(listening,), daemon=True)
        peer.start()
        with pytest.raises(ServiceUnreachable):
            Service(address, "bw_x").send_report(b"a.b.c")
        peer.join(5)


def _hang_up(listening: socket.socket) -> None:
    connection, _ = listening.accept()
    with connection:
        connection.recv(4096)
        whole = json.dumps(RECEIPT).encode()
        head = f"HTTP/1.1 201 Created\r\nContent-Type: application/json\r\nContent-Length: {len(whole)}\r\n\r\n"
        connection.sendall(head.encode() + whole[:40])
