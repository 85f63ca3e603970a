"""One shape for every error: RFC 9457 problem+json with a stable `code`."""

from collections.abc import Mapping
from typing import Any

from flask import Flask, Response, current_app, json, request
from werkzeug.exceptions import HTTPException

from benchworthy import errors
from benchworthy.errors import BenchworthyError

MEDIA_TYPE = "application/problem+json"
STATUS: Mapping[type[BenchworthyError], int] = {
    errors.ReportTooLarge: 413,
    errors.ReportKeyUnknown: 401,
    errors.ReportSignatureBad: 401,
    errors.ReportForAnother: 409,
    errors.ReportReplayed: 409,
    errors.ReportRefused: 400,
    errors.Unknown: 404,
    errors.PreconditionMissing: 428,
    errors.PreconditionFailed: 412,
    errors.Conflict: 409,
    errors.Invalid: 422,
    errors.TokenMissing: 401,
    errors.TokenRefused: 401,
    errors.TooManyFailures: 429,
    errors.TooManyRemarks: 429,
    errors.NotAllowed: 403,
    errors.Unavailable: 503,
    errors.ClockImplausible: 503,
    errors.BenchworthyError: 500,
}
_NAMES = {
    400: "bad-request",
    404: "not-found",
    405: "method-not-allowed",
    413: "body-too-large",
    415: "media-type-unsupported",
    422: "request-invalid",
    429: "too-many-requests",
    500: "internal-error",
}


def status_of(fault: BenchworthyError) -> int:
    """The HTTP status of the nearest class in the tree."""
    return next(STATUS[kind] for kind in type(fault).__mro__ if kind in STATUS)


def problem(status: int, code: str, title: str, detail: str, facts: Mapping[str, Any]) -> Response:
    """One problem document. Facts never shadow the members of RFC 9457."""
    body = {
        **facts,
        "type": "about:blank",
        "title": title,
        "status": status,
        "detail": detail,
        "code": code,
        "instance": request.path,
    }
    return Response(json.dumps(body), status, mimetype=MEDIA_TYPE)


def register(app: Flask) -> None:
    """Answer every error of the application in this shape."""
    app.register_error_handler(BenchworthyError, _refusal)
    app.register_error_handler(HTTPException, _http)
    app.register_error_handler(Exception, _unforeseen)


def _refusal(fault: BenchworthyError) -> Response:
    status = status_of(fault)
    answer = problem(
        status,
        fault.code,
        fault.code.replace("-", " ").capitalize(),
        f"{fault.detail} {fault.advice}".strip(),
        _plain(fault.facts),
    )
    if status in (429, 503) or "retry_after" in fault.facts:
        answer.headers["Retry-After"] = str(fault.facts.get("retry_after", 1))
    if status == 401:
        answer.headers["WWW-Authenticate"] = "Bearer"
    return answer


def _plain(facts: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in facts.items() if isinstance(value, str | int | float | bool | list | dict)}


def _http(fault: HTTPException) -> Response:
    status = fault.code or 500
    messages = getattr(fault, "data", {}).get("messages") if hasattr(fault, "data") else None
    facts = {"errors": _fields(messages)} if messages else {}
    detail = "The request does not fit; `errors` names the fields." if messages else (fault.description or fault.name)
    answer = problem(status, _NAMES.get(status, fault.name.lower().replace(" ", "-")), fault.name, detail, facts)
    for name, value in fault.get_headers(request.environ):
        if name in ("Allow", "Retry-After"):
            answer.headers[name] = value
    return answer


def _fields(messages: Any) -> Any:
    """Field errors without the name of the place they came from."""
    if isinstance(messages, Mapping) and set(messages) <= {"json", "query", "path", "headers"}:
        return {field: text for place in messages.values() for field, text in _named(place)}
    return messages


def _named(place: Any) -> list[tuple[str, Any]]:
    return list(place.items()) if isinstance(place, Mapping) else [("body", place)]


def _unforeseen(fault: Exception) -> Response:
    """Outermost loop of a request: what nobody foresaw is logged in full and told in short."""
    current_app.logger.exception("unforeseen error", exc_info=fault)
    return problem(500, "internal-error", "Internal error", "The service could not answer; its log has the cause.", {})
