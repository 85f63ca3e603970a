"""A POST with an Idempotency-Key is done once, however often it is sent (draft-ietf-httpapi-idempotency-key-header).

The answer is kept in the transaction of what it answers: either both are on record or neither. To that end the whole view
runs in one unit of work. A refusal changes nothing and is not kept, so sending again asks again.
"""

import base64
import dataclasses
import json
import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any, Final

from flask import Response, current_app, g, make_response, request

from benchworthy.errors import KeyReused, RequestInFlight, RequestInvalid
from benchworthy.history.answers import KeptAnswer
from benchworthy.keys.answers import AnswerKeys, answer_keys
from benchworthy.ports import Services, Work

HEADER: Final = "Idempotency-Key"
REPLAYED: Final = "Idempotency-Replayed"
KEPT: Final = timedelta(hours=24)
_KEY: Final = re.compile(r'(?P<quote>"?)(?P<key>[!#-\[\]-~]{1,128})(?P=quote)')
_KEPT_HEADERS: Final = ("Content-Type", "Location", "ETag", "Link")
# POSTs that change nothing; drawing a page has no place in a transaction.
_READS: Final = frozenset({"printing.labels", "loans.slips"})
# These are the same however often they are sent, by what they do, and go on where one before stopped; many boards in one
# transaction would keep everybody else waiting.
_SAME_AGAIN: Final = frozenset({"designs.recall", "designs.end_recall"})
_guard = threading.Lock()


@dataclasses.dataclass(frozen=True, slots=True)
class _OneTransaction:
    """Implements ports.Storage for one request: every unit of work in it is the same one, which commits at its end."""

    work: Work

    @contextmanager
    def writing(self) -> Iterator[Work]:
        yield self.work

    @contextmanager
    def reading(self) -> Iterator[Work]:
        yield self.work


def once(services: Services, fingerprint: str, view: Callable[[], Any]) -> Any:
    """The answer of `view`, or the one it gave before. Raises RequestInvalid, KeyReused, RequestInFlight."""
    given = request.headers.get(HEADER)
    if given is None or request.method != "POST":
        return view()
    key = _key(given)
    if request.endpoint in _READS | _SAME_AGAIN:
        return view()
    secret = request.headers["Authorization"].partition(" ")[2].strip()
    keys = answer_keys(secret, key)
    with _alone(f"{fingerprint} {keys.name}"), services.storage.writing() as work:
        since = services.now() - KEPT
        wanted = keys.hash_request(_request())
        kept = work.answers.find(keys.name, since)
        if kept is not None:
            return _again(kept, keys, wanted)
        answer = _answered(view, services, work)
        if answer.status_code < 300:
            sealed = keys.seal(_written(answer), services.random)
            work.answers.keep(KeptAnswer(keys.name, wanted, sealed, services.now()), since)
        return answer


def _key(given: str) -> str:
    """The key, written as a structured string (RFC 9651) or bare."""
    match = _KEY.fullmatch(given.strip())
    if match is None:
        told = "1 to 128 visible ASCII characters, without quotation mark or backslash inside"
        raise RequestInvalid(f"{HEADER} is {told}.", errors={HEADER: [told]})
    return match["key"]


@contextmanager
def _alone(name: str) -> Iterator[None]:
    """Let one request of this name through at a time. Raises RequestInFlight for a second one."""
    under_way: set[str] = current_app.extensions.setdefault("benchworthy-under-way", set())
    with _guard:
        if name in under_way:
            raise RequestInFlight(f"A request with this {HEADER} is being answered now.", retry_after=1)
        under_way.add(name)
    try:
        yield
    finally:
        with _guard:
            under_way.discard(name)


def _answered(view: Callable[[], Any], services: Services, work: Work) -> Response:
    g.services = dataclasses.replace(services, storage=_OneTransaction(work))
    try:
        return make_response(view())
    finally:
        g.pop("services")


def _request() -> bytes:
    """What makes two requests the same: method, path with query, body byte for byte."""
    return b"\n".join((request.method.encode(), request.full_path.encode(), request.get_data(cache=True)))


def _written(answer: Response) -> bytes:
    headers = {name: answer.headers[name] for name in _KEPT_HEADERS if name in answer.headers}
    body = base64.b64encode(answer.get_data()).decode()
    return json.dumps({"status": answer.status_code, "headers": headers, "body": body}).encode()


def _again(kept: KeptAnswer, keys: AnswerKeys, wanted: str) -> Response:
    if kept.request != wanted:
        raise KeyReused(f"This {HEADER} came before with another request.")
    told = json.loads(keys.open(kept.sealed))
    return Response(base64.b64decode(told["body"]), told["status"], {**told["headers"], REPLAYED: "true"})
