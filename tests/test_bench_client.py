"""The bench's HTTP client: what the service refuses is an error with the service's own code, and waits are bounded."""

from collections.abc import Iterator

import pytest
import requests
import requests_mock

from benchworthy.bench.client import LONGEST_WAIT_S, TRIES, Service, ServiceSaid
from benchworthy.errors import BenchworthyError, ServiceUnreachable

BASE = "http://bench.example"
REPORTS = f"{BASE}/api/v1/reports"
RECEIPT = {"v": 1, "report": "0" * 32, "verdict": "in limits", "mac": ""}


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
    http.register_uri(requests_mock.ANY, requests_mock.ANY, json={})
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
