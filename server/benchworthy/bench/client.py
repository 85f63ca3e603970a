"""The service's HTTP interface as the bench uses it: bounded in time, its refusals turned into errors."""

import hashlib
import json
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final
from urllib.parse import quote

import requests
from requests.auth import AuthBase

from benchworthy.errors import BenchworthyError, ServiceUnreachable
from benchworthy.reports.token import digest

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


def _nobody(request: requests.PreparedRequest) -> requests.PreparedRequest:
    """No login, where a .netrc entry would make requests send one."""
    return request


class Service:
    """One service as one user. Every method raises ServiceSaid or ServiceUnreachable."""

    def __init__(self, base_url: str, token: str | None, sleep: Callable[[float], None] = time.sleep) -> None:
        """`base_url` is where the start page lies; a `token` of None goes where none is needed; `sleep` takes seconds."""
        self._base = base_url.rstrip("/")
        self._session = requests.Session()
        self._session.auth = _Bearer(token) if token is not None else _nobody
        self._sleep = sleep

    def open_run(self, serial: str, test_set: str, bench: str, fixtures: Sequence[str], scanned: str) -> dict[str, Any]:
        """Open a run: run, nonce, key, expires, plan, epoch, draws, mqtt, parts, design, ask."""
        body = {"set": test_set, "bench": bench, "fixtures": list(fixtures), "scanned": scanned}
        return self.post(f"/api/v1/boards/{_segment(serial)}/runs", body)

    def send_report(self, token: bytes) -> dict[str, Any]:
        """Hand in a signed report; the receipt. The same bytes twice count once.

        An answer that is no receipt of this report is none: whatever sent it, it does not have the report.
        """
        answer = self._send("POST", "/api/v1/reports", token, "application/jose")
        if answer.get("report") != digest(token):
            detail = f"The answer of {self._base} is no receipt of the report that was sent."
            raise ServiceUnreachable(detail, how="broken-answer")
        return answer

    def answer(self, run: str, body: Mapping[str, Any], key: str | None = None) -> dict[str, Any]:
        """Hand in `{"answers": [{"test", "draw", "text" or "number" or "items"}]}`. The same twice within a day counts once."""
        path = f"/api/v1/runs/{_segment(run)}/answers"
        return self._of_run(self.post(path, body, key or _named(path, body)), run)

    def draw(self, run: str, test: str, key: str | None = None) -> dict[str, Any]:
        """Draw once more after a wrong answer: test, draw, stimulus. Asked twice within a day it is the same draw."""
        path = f"/api/v1/runs/{_segment(run)}/draws"
        return self.post(path, {"test": test}, key or _named(path, {"test": test}))

    def fetch_tickets(self, bench: str, body: Mapping[str, Any]) -> dict[str, Any]:
        """Run tickets for a bench: sheet, tickets."""
        answer = self.post(f"/api/v1/benches/{_segment(bench)}/tickets", body)
        if isinstance(answer.get("sheet"), dict) and isinstance(answer.get("tickets"), list):
            return answer
        raise ServiceUnreachable(f"The answer of {self._base} holds no tickets.", how="broken-answer")

    def use_ticket(self, run: str, body: Mapping[str, Any], key: str) -> dict[str, Any]:
        """Tell for which board a ticket was used; its run is open then."""
        return self._of_run(self.post(f"/api/v1/runs/{_segment(run)}/use", body, key), run)

    def _of_run(self, answer: dict[str, Any], run: str) -> dict[str, Any]:
        if answer.get("run") != run:
            raise ServiceUnreachable(f"The answer of {self._base} is not about run {run}.", how="broken-answer")
        return answer

    def get_run(self, run: str) -> dict[str, Any]:
        """The run as judged so far, with what is still needed."""
        return self.get(f"/api/v1/runs/{_segment(run)}")

    def close(self, run: str) -> dict[str, Any]:
        """Freeze the run."""
        return self.post(f"/api/v1/runs/{_segment(run)}/close", {})

    def fetch(self, path: str) -> bytes:
        """GET a file below the base, as it is."""
        answer = self._patiently("GET", path, None, None, "*/*")
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

    def post(self, path: str, body: Mapping[str, Any], key: str | None = None) -> dict[str, Any]:
        """POST a JSON object to a path below the base; a JSON object. With the same key the service does it once."""
        return self._send("POST", path, dict(body), _JSON, key)

    def post_for_pdf(self, path: str, body: Mapping[str, Any]) -> tuple[bytes, str]:
        """POST a JSON object; the PDF it is answered with, and where the codes printed in it lead."""
        answer = self._patiently("POST", path, dict(body), _JSON, "application/pdf")
        if answer.status_code == 200 and answer.content.startswith(b"%PDF-"):
            return answer.content, answer.links.get("related", {}).get("url", "")
        _read(answer, self._base)
        raise ServiceUnreachable(f"The answer of {self._base} is no PDF.", how="broken-answer", status=answer.status_code)

    def _send(
        self, method: str, path: str, body: dict[str, Any] | bytes | None, kind: str | None, key: str | None = None
    ) -> dict[str, Any]:
        return _read(self._patiently(method, path, body, kind, _JSON, key), self._base)

    def _patiently(
        self, method: str, path: str, body: dict[str, Any] | bytes | None, kind: str | None, accept: str, key: str | None = None
    ) -> requests.Response:
        """Try again while the service says when to come back and has done nothing, or is still at the same request."""
        for turn in range(1, TRIES + 1):
            answer = self._once(method, path, body, kind, accept, key)
            wait_s = _retry_after(answer)
            if wait_s is None or turn == TRIES or not (answer.status_code == 503 or _still_at_it(answer)):
                break
            self._sleep(wait_s)
        return answer

    def _once(
        self,
        method: str,
        path: str,
        body: dict[str, Any] | bytes | None,
        kind: str | None,
        accept: str = _JSON,
        key: str | None = None,
    ) -> requests.Response:
        headers = {"Accept": f"{accept}, application/problem+json"}
        if kind is not None:
            headers["Content-Type"] = kind
        if key is not None:
            headers["Idempotency-Key"] = key
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


def _named(path: str, body: Mapping[str, Any]) -> str:
    """An Idempotency-Key that the same request has again."""
    return hashlib.sha256(f"{path} {json.dumps(dict(body), sort_keys=True)}".encode()).hexdigest()


def _still_at_it(answer: requests.Response) -> bool:
    """A first sending whose answer never came may still be under way."""
    return answer.status_code == 409 and (_json(answer) or {}).get("code") == "request-in-flight"


def _json(answer: requests.Response) -> dict[str, Any] | None:
    """The JSON object of an answer that calls itself JSON, or does not say what it is."""
    kind = answer.headers.get("Content-Type", _JSON).partition(";")[0].strip().lower()
    if kind != _JSON and not (kind.startswith("application/") and kind.endswith("+json")):
        return None
    try:
        found = answer.json()
    except (requests.JSONDecodeError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _read(answer: requests.Response, base: str) -> dict[str, Any]:
    """The JSON object of a good answer; otherwise the refusal as an error."""
    body = _json(answer)
    if 200 <= answer.status_code < 300:
        if body is not None:
            return body
        detail = f"The answer of {base} is no whole JSON object."
        raise ServiceUnreachable(detail, how="broken-answer", status=answer.status_code)
    if body is not None and isinstance(body.get("code"), str):
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
