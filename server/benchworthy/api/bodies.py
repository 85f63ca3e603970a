"""A JSON body is looked at before a schema is: what one reader takes one way and another another way is refused.

RFC 8259 leaves open what a name that stands twice means, and how deep is too deep; I-JSON (RFC 7493, 2.1 to 2.3) does not
allow the first, nor half of a surrogate pair. NUL is no character that anybody writes, and not every database keeps it. Plain
bad syntax is left to the schema's parser, which has a sentence for it.
"""

import json
import re
from typing import Any, Final

from werkzeug.exceptions import BadRequest

DEEPEST: Final = 8
_NUL: Final = re.compile(r"(?<!\\)(?:\\\\)*\\u0000")  # as JSON writes it, and not a written backslash before "u0000"


def look_at(raw: bytes) -> None:
    """Raises BadRequest."""
    if _depth(raw) > DEEPEST:
        raise BadRequest(f"The body is nested more than {DEEPEST} levels deep.")
    try:
        values = json.loads(raw, object_pairs_hook=_unique, parse_constant=_no_constant)
    except (json.JSONDecodeError, UnicodeDecodeError):
        return
    except ValueError as fault:  # Python reads no integer of more than 4300 digits
        raise BadRequest("A number in the body has too many digits.") from fault
    written = json.dumps(values, ensure_ascii=False)
    if _NUL.search(written):
        raise BadRequest("A text in the body holds the character NUL.")
    try:
        written.encode()
    except UnicodeEncodeError as fault:
        raise BadRequest("A text in the body holds half of a surrogate pair, which is no character.") from fault


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    names = [name for name, _ in pairs]
    if len(set(names)) != len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise BadRequest(f"The name {twice[:64]!r} stands twice in one object of the body.")
    return dict(pairs)


def _no_constant(name: str) -> Any:
    raise BadRequest(f"{name} is no JSON.")


def _depth(raw: bytes) -> int:
    """How deep brackets nest, those inside texts left out."""
    deepest = depth = 0
    inside = escaped = False
    for octet in raw:
        if inside:
            inside, escaped = escaped or octet != 0x22, not escaped and octet == 0x5C
        elif octet == 0x22:
            inside = True
        elif octet in b"[{":
            depth += 1
            deepest = max(deepest, depth)
        elif octet in b"]}":
            depth -= 1
    return deepest
