"""Every path the application answers, for the reference and its test."""

import re

from flask import Flask


def shown(rule: str) -> str:
    """A rule's path with its parameters in braces, as in OpenAPI."""
    return re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", rule)


def all_paths(app: Flask) -> list[str]:
    """`METHOD /path` of every endpoint, sorted by path; path parameters in braces."""
    found = set()
    for rule in app.url_map.iter_rules():
        path = shown(rule.rule)
        if path.startswith("/static"):
            continue
        found |= {(path, method) for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}}
    return [f"{method} {path}" for path, method in sorted(found)]
