"""The service's HTTP interface as the bench uses it: bounded in time, its refusals turned into errors."""

import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final
from urllib.parse import quote

import requests
from requests.auth import AuthBase

from benchworthy.errors import BenchworthyError, ServiceUnreachable

CONNECT_S: Final = 5.0
ANSWER_S: Final = 30.0
TRIES: Final = 5
LONGEST_WAIT_S: Final = 10.0
_JSON: Final = "application/json"


class ServiceSaid(BenchworthyError):
    """The service refused: its own code, detail, advice and facts, and the HTTP status."""

    code: str  # type: ignore[misc]  # here the code comes with each answer instead of with the class
    advice: str  # type: ignore[misc]

    def __init__(self, code: str, detail: str, facts: Mapping[str, Any], status: int, advice: str = "") -> None:
        super().__init__(detail)
        self.code = code
        self.advice = advice
        self.facts = dict(facts)
        self.status = status


class _Bearer(AuthBase):
    """As an auth object, since requests lets a .netrc entry override a plain Authorization header."""

    def __init__(self, token: str) -> None:
        self._token = token

    def __call__(self, request: requests.PreparedRequest) -> requests.PreparedRequest:
        request.headers["Authorization"] = f"Bearer {self._token}"
        return request


class Service:
    """One service as one user. Every method raises ServiceSaid or ServiceUnreachable."""

    def __init__(self, base_url: str, token: str, sleep: Callable[[float], None] = time.sleep) -> None:
        """`base_url` is where the service's start page lies; `sleep` takes seconds."""
        self._base = base_url.rstrip("/")
        self._session = requests.Session()
        self._session.auth = _Bearer(token)
        self._sleep = sleep

    def open_run(self, serial: str, test_set: str, bench: str, fixtures: Sequence[str], scanned: str) -> dict[str, Any]:
        """Open a run: run, nonce, key, expires, plan, epoch, draws, mqtt, parts, design, ask."""
        body = {"set": test_set, "bench": bench, "fixtures": list(fixtures), "scanned": scanned}
        return self.post(f"/api/v1/boards/{_segment(serial)}/runs", body)

    def send_report(self, token: bytes) -> dict[str, Any]:
        """Hand in a signed report; the receipt. The same bytes twice count once."""
        return self._send("POST", "/api/v1/reports", token, "application/jose")

    def answer(self, run: str, body: Mapping[str, Any]) -> dict[str, Any]:
        """Hand in `{"answers": [{"test", "draw", "text" or "number" or "items"}]}`."""
        return self.post(f"/api/v1/runs/{_segment(run)}/answers", body)

    def draw(self, run: str, test: str) -> dict[str, Any]:
        """Draw once more after a wrong answer: test, draw, stimulus."""
        return self.post(f"/api/v1/runs/{_segment(run)}/draws", {"test": test})

    def get_run(self, run: str) -> dict[str, Any]:
        """The run as judged so far, with what is still needed."""
        return self.get(f"/api/v1/runs/{_segment(run)}")

    def close(self, run: str) -> dict[str, Any]:
        """Freeze the run."""
        return self.post(f"/api/v1/runs/{_segment(run)}/close", {})

    def fetch(self, path: str) -> bytes:
        """GET a file below the base, as it is."""
        answer = self._once("GET", path, None, None)
        if answer.status_code == 200:
            return answer.content
        _read(answer, self._base)
        raise ServiceUnreachable(f"{self._base} answers {answer.status_code}.", status=answer.status_code)

    def board(self, serial: str) -> dict[str, Any]:
        """A board's record."""
        return self.get(f"/api/v1/boards/{_segment(serial)}")

    def field_key(self, serial: str) -> dict[str, Any]:
        """What the installation of a board needs: serial, epoch, key, and mqtt where boards may keep passwords."""
        return self.post(f"/api/v1/boards/{_segment(serial)}/field-key", {})

    def ask_board(self, serial: str, do: str) -> dict[str, Any]:
        """Ask a board in the field to do something: the request with its number."""
        return self.post(f"/api/v1/boards/{_segment(serial)}/requests", {"do": do})

    def request(self, serial: str, number: int) -> dict[str, Any]:
        """A request as it stands."""
        return self.get(f"/api/v1/boards/{_segment(serial)}/requests/{number}")

    def get(self, path: str) -> dict[str, Any]:
        """GET a path below the base; a JSON object."""
        return self._send("GET", path, None, None)

    def post(self, path: str, body: Mapping[str, Any]) -> dict[str, Any]:
        """POST a JSON object to a path below the base; a JSON object."""
        return self._send("POST", path, dict(body), _JSON)

    def post_for_pdf(self, path: str, body: Mapping[str, Any]) -> tuple[bytes, str]:
        """POST a JSON object; the PDF it is answered with, and where the codes printed in it lead."""
        answer = self._patiently("POST", path, dict(body), _JSON, "application/pdf")
        if answer.status_code == 200 and answer.content.startswith(b"%PDF-"):
            return answer.content, answer.links.get("related", {}).get("url", "")
        _read(answer, self._base)
        raise ServiceUnreachable(f"The answer of {self._base} is no PDF.", how="broken-answer", status=answer.status_code)

    def _send(self, method: str, path: str, body: dict[str, Any] | bytes | None, kind: str | None) -> dict[str, Any]:
        return _read(self._patiently(method, path, body, kind, _JSON), self._base)

    def _patiently(
        self, method: str, path: str, body: dict[str, Any] | bytes | None, kind: str | None, accept: str
    ) -> requests.Response:
        """Try again while the service says 503 and when to come back: it has then done nothing."""
        for turn in range(1, TRIES + 1):
            answer = self._once(method, path, body, kind, accept)
            wait_s = _retry_after(answer)
            if answer.status_code != 503 or wait_s is None or turn == TRIES:
                break
            self._sleep(wait_s)
        return answer

    def _once(
        self, method: str, path: str, body: dict[str, Any] | bytes | None, kind: str | None, accept: str = _JSON
    ) -> requests.Response:
        headers = {"Accept": f"{accept}, application/problem+json"}
        if kind is not None:
            headers["Content-Type"] = kind
        try:
            return self._session.request(
                method,
                self._base + path,
                json=body if isinstance(body, dict) else None,
                data=body if isinstance(body, bytes) else None,
                headers=headers,
                timeout=(CONNECT_S, ANSWER_S),
                # A redirected POST would turn into a GET, and the token into somebody else's.
                allow_redirects=False,
            )
        except requests.RequestException as fault:
            detail = f"The service at {self._base} gave no answer ({type(fault).__name__})."
            raise ServiceUnreachable(detail, url=self._base + path) from fault


def _segment(name: str) -> str:
    return quote(name, safe="")


def _retry_after(answer: requests.Response) -> float | None:
    """Seconds to wait, at most ten; None when the answer does not say so in seconds."""
    text = answer.headers.get("Retry-After", "").strip()
    if not (text.isascii() and text.isdigit()):
        return None
    return min(float(text), LONGEST_WAIT_S)


def _read(answer: requests.Response, base: str) -> dict[str, Any]:
    """The JSON object of a good answer; otherwise the refusal as an error."""
    try:
        body = answer.json()
    except (requests.JSONDecodeError, RecursionError):
        body = None
    if 200 <= answer.status_code < 300:
        if isinstance(body, dict):
            return body
        detail = f"The answer of {base} is no whole JSON object."
        raise ServiceUnreachable(detail, how="broken-answer", status=answer.status_code)
    if isinstance(body, dict) and isinstance(body.get("code"), str):
        raise _refusal(body, answer.status_code)
    if answer.status_code >= 500:
        raise ServiceUnreachable(f"{base} answers {answer.status_code}.", status=answer.status_code)
    detail = f"{base} answers {answer.status_code} in a form that is not this service's; check the address."
    raise ServiceSaid(f"http-{answer.status_code}", detail, {}, answer.status_code)


def _refusal(problem: Mapping[str, Any], status: int) -> ServiceSaid:
    detail = str(problem.get("detail") or problem.get("title") or "The service refused.")
    told = ("type", "title", "status", "detail", "code", "advice")
    facts = {name: value for name, value in problem.items() if name not in told}
    return ServiceSaid(problem["code"], detail, facts, status, str(problem.get("advice") or ""))
