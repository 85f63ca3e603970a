"""A page of a long list: JSON with the next cursor, or CSV; either way with links to the first and next page (RFC 8288)."""

import csv
import io
import json
from collections.abc import Sequence
from typing import Any, Final
from urllib.parse import urlencode

from flask import Response, request
from marshmallow import Schema

CSV: Final = "text/csv"
TEXT: Final = {"type": "string"}
HEADERS: Final = {"Link": {"description": "rel first and next, RFC 8288", "schema": TEXT}}
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r", "\n")  # what a spreadsheet may take for a formula (OWASP, CSV injection)


def page(name: str, rows: Sequence[Any], schema: type[Schema], following: str | None, **more: Any) -> Any:
    """The rows under `name`, as whoever asks can read them; `following` is the cursor of the next page."""
    headers = {"Link": _links(following), "Vary": "Accept"}
    if request.accept_mimetypes.best_match(["application/json", CSV]) == CSV:
        return Response(to_csv(schema().dump(rows, many=True), list(schema().fields)), 200, headers, mimetype=CSV)
    return {name: rows, "next": following, **more}, 200, headers


def to_csv(rows: Sequence[dict[str, Any]], columns: Sequence[str]) -> str:
    """RFC 4180, header line first."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(columns)
    writer.writerows([_cell(row.get(column)) for column in columns] for row in rows)
    return text.getvalue()


def _cell(value: Any) -> str:
    """A text that begins like a formula gets an apostrophe before it."""
    match value:
        case None:
            return ""
        case bool():
            return "true" if value else "false"
        case dict() | list():
            value = json.dumps(value, sort_keys=True, ensure_ascii=False)
    text = str(value)
    return f"'{text}" if isinstance(value, str) and text.startswith(_FORMULA) else text


def _links(following: str | None) -> str:
    asked = {name: value for name, value in request.args.items() if name != "after"}
    links = [("first", asked)] + ([("next", {**asked, "after": following})] if following is not None else [])
    return ", ".join(f'<{_address(arguments)}>; rel="{rel}"' for rel, arguments in links)


def _address(arguments: dict[str, str]) -> str:
    return request.path + (f"?{urlencode(arguments)}" if arguments else "")
