"""Where in a TOML text a key stands, so that a fault can name its line. A search, not a second parser."""

import re
from collections.abc import Sequence


def line_of(text: str, path: Sequence[str]) -> int:
    """Line number (from 1) of the key, or of the nearest table above it that can be found; 1 if none."""
    lines = text.splitlines()
    table, found = _deepest_table(lines, path)
    keys = [key for key in path[table:] if not key.isdigit()]
    for key in keys:
        at = _key_line(lines, found, key)
        if at is None:
            break
        found = at
    return found + 1


def _deepest_table(lines: Sequence[str], path: Sequence[str]) -> tuple[int, int]:
    """How many keys of the path stand in a table header, and that header's index. Numbers count array tables."""
    for length in range(len(path), 0, -1):
        names = [key for key in path[:length] if not key.isdigit()]
        nth = int(path[length - 1]) if path[length - 1].isdigit() else 0
        header = re.compile(r"\s*\[{1,2}\s*" + r"\s*\.\s*".join(rf'"?{re.escape(k)}"?' for k in names) + r"\s*\]{1,2}")
        hits = [index for index, line in enumerate(lines) if header.match(line)]
        if len(hits) > nth:
            return length, hits[nth]
    return 0, 0


def _key_line(lines: Sequence[str], start: int, key: str) -> int | None:
    own = re.compile(rf'\s*"?{re.escape(key)}"?\s*=')
    inline = re.compile(rf'[{{,]\s*"?{re.escape(key)}"?\s*=')
    for index in range(start, len(lines)):
        if index > start and lines[index].lstrip().startswith("["):
            return start if inline.search(lines[start]) else None
        if own.match(lines[index]) or (index == start and inline.search(lines[index])):
            return index
    return None
