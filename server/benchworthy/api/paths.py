"""Every path the application answers, for the reference and its test."""

from flask import Flask


def all_paths(app: Flask) -> list[str]:
    """`METHOD /path` of every endpoint, sorted by path; path parameters in braces."""
    found = set()
    for rule in app.url_map.iter_rules():
        path = rule.rule.replace("<", "{").replace(">", "}")
        if path.startswith("/static"):
            continue
        found |= {(path, method) for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}}
    return [f"{method} {path}" for path, method in sorted(found)]
