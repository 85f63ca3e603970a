"""ETag and If-Match (RFC 9110, 8.8.3 and 13.1.1): a change names the version that its sender has seen."""

import re
from typing import Any, Final

from flask import request

from benchworthy.errors import PreconditionFailed, PreconditionMissing

_TAG: Final = re.compile(r'"v(?P<version>[1-9][0-9]{0,8})"')
_TEXT: Final = {"type": "string"}
HEADERS: Final = {"ETag": {"description": "the version of this record", "schema": _TEXT}}
IF_MATCH: Final = {"in": "header", "name": "If-Match", "description": "the ETag that was read", "schema": _TEXT}


def tagged(board: Any) -> tuple[Any, int, dict[str, str]]:
    """A record with its tag."""
    return board, 200, {"ETag": f'"v{board.version}"'}


def wanted_version() -> int:
    """The version named by If-Match. `*` names none, so it is no precondition. Raises PreconditionMissing, PreconditionFailed."""
    given = request.headers.get("If-Match", "").strip()
    if given in ("", "*"):
        raise PreconditionMissing("A change names the version it replaces.")
    match = _TAG.fullmatch(given)
    if match is None:
        raise PreconditionFailed("If-Match holds no ETag that this service gave out.")
    return int(match["version"])
