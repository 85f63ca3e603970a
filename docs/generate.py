"""Writes what follows from the code: the pages of docs/reference, and agent/package.json. python docs/generate.py

These files are committed, and a test holds them against what this writes now. Nothing here depends on the terminal, the
clock or the Python version.
"""

import argparse
import inspect
import json
import logging
import re
from collections.abc import Iterator, Mapping, Sequence
from importlib import import_module
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from flask import Flask

from benchworthy import errors, settings
from benchworthy.api.paths import all_paths, shown
from benchworthy.api.problems import status_of
from benchworthy.cli.main import VERBS
from benchworthy.designs import agent_release
from benchworthy.errors import BenchworthyError
from benchworthy.web import create_app

REFERENCE = Path(__file__).parent / "reference"
NOTE = "<!-- Written by docs/generate.py; change the code it names, then run that again. -->\n"


PACKAGE = Path(__file__).parent.parent / "agent" / "package.json"


def package_text() -> str:
    """What `mpremote mip install agent/package.json` reads from a checkout: every file of the agent, below `lib`."""
    inside = [path.removeprefix("lib/") for path in agent_release.current().files if path.startswith("lib/")]
    package = {"version": agent_release.current().version, "deps": [], "urls": [[path, path] for path in sorted(inside)]}
    return json.dumps(package, indent=1) + "\n"


def pages() -> dict[str, str]:
    """File name in docs/reference to its text."""
    return {
        "errors.md": errors_page(error_classes()),
        "settings.md": settings_page(settings.KNOWN),
        "commands.md": commands_page(),
        "http.md": http_page(application()),
    }


# --- errors --------------------------------------------------------------------------------------------------------


def error_classes() -> list[type[BenchworthyError]]:
    """Every class of errors.py with a code of its own, in the order in which they stand there."""
    classes = [kind for kind in vars(errors).values() if inspect.isclass(kind) and issubclass(kind, BenchworthyError)]
    return [kind for kind in classes if "code" in vars(kind) and kind is not BenchworthyError]


def errors_page(classes: Sequence[type[BenchworthyError]]) -> str:
    rows = [(f"`{kind.code}`", str(status_of(kind("x"))), _group(kind), kind.advice) for kind in classes]
    return (
        f"# Errors\n\n{NOTE}\n"
        "Every refusal has one stable code, used alike by HTTP answers (`code` of the RFC 9457 problem document), the command\n"
        "line (in brackets after the message) and the log. Commands end with exit code 2 on every one of them.\n\n"
        + _table(("Code", "HTTP", "Kind", "What to do"), rows)
        + "\nOver HTTP there are also `bad-request` (400), `not-found` (404), `method-not-allowed` (405), `body-too-large`\n"
        "(413), `media-type-unsupported` (415), `too-many-requests` (429) and `internal-error` (500, the log has the cause).\n"
    )


def _group(kind: type[BenchworthyError]) -> str:
    """First sentence of the nearest documented class above: what such errors have in common."""
    parent = kind.__mro__[1]
    text = (parent.__doc__ or "") if parent is not BenchworthyError else "Stands by itself."
    return text.split(". ")[0].split("; ")[0].rstrip(".")


# --- settings ------------------------------------------------------------------------------------------------------


def settings_page(known: Mapping[str, str]) -> str:
    rows = [(f"`{settings.PREFIX}{name}`", f"`{name.lower()}`", told.replace("<", "\\<")) for name, told in known.items()]
    return (
        f"# Settings\n\n{NOTE}\n"
        "Read once at start, from the environment and from the TOML file that `BENCHWORTHY_CONFIG` names; the environment wins.\n"
        "A name that is not listed here is refused, so a misspelt setting is never silently without effect.\n\n"
        + _table(("Variable", "Name in the file", "What it sets"), rows)
        + "\nThe commands that speak to a service over HTTP also read `BENCHWORTHY_URL` and `BENCHWORTHY_TOKEN`;\n"
        "`BENCHWORTHY_PORTS` names a folder of links to the ports of stand-in boards.\n"
    )


# --- commands ------------------------------------------------------------------------------------------------------


def commands_page() -> str:
    text = (
        f"# Commands\n\n{NOTE}\n"
        "Messages go to stderr and data to stdout. Exit code 0 is done, 2 refused with a reason (see [errors](errors.md)),\n"
        "130 interrupted; what else a command may return is said with it.\n"
    )
    for name, entry in VERBS.items():
        module = import_module(f"benchworthy.cli.{entry.module}")
        parser = argparse.ArgumentParser(name)
        module.arguments(parser)
        text += f"\n## benchworthy {name}\n\n{_sentence(entry.summary)} {inspect.getdoc(module.run) or ''}".rstrip() + "\n"
        text += "".join(_parser_text(f"benchworthy {name}", parser))
    return text


def _parser_text(command: str, parser: argparse.ArgumentParser) -> Iterator[str]:
    rows = []
    below: list[tuple[str, str, argparse.ArgumentParser]] = []
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            told = {choice.dest: choice.help or "" for choice in action._choices_actions}
            below += [(f"{command} {name}", told.get(name, ""), inner) for name, inner in action.choices.items()]
        elif not isinstance(action, argparse._HelpAction) and action.help != argparse.SUPPRESS:
            rows.append((_spelling(action), "yes" if action.required else "", action.help or ""))
    if rows:
        yield "\n" + _table(("Argument", "Needed", "What it is"), rows)
    for name, told, inner in below:
        yield f"\n### {name}\n\n{_sentence(told)}\n"
        yield from _parser_text(name, inner)


def _spelling(action: argparse.Action) -> str:
    choices = "{" + ",".join(map(str, action.choices or ())) + "}"
    value = choices if action.choices else str(action.metavar or action.dest)
    if not action.option_strings:
        return f"`{value}`"
    takes = "" if action.nargs == 0 else f" {value if action.choices else value.upper()}"
    return f"`{', '.join(action.option_strings)}{takes}`"


# --- HTTP ----------------------------------------------------------------------------------------------------------


def application() -> Flask:
    """The application over no services at all: its paths and schemas need none."""
    app = create_app(SimpleNamespace())
    app.logger.setLevel(logging.CRITICAL + 1)
    return app


def specification(app: Flask) -> dict[str, Any]:
    """The OpenAPI document as the service gives it out."""
    api = next(iter(app.extensions["flask-smorest"]["apis"].values()))["ext_obj"]
    return api.spec.to_dict()


def http_page(app: Flask) -> str:
    document = specification(app)
    text = (
        f"# HTTP\n\n{NOTE}\n"
        "The same as an OpenAPI document: `GET /api/v1/openapi.json`. Errors are RFC 9457 problem documents, see\n"
        "[errors](errors.md). *Token* means `Authorization: Bearer SECRET`; without one the answer is 401 `token-missing`.\n"
    )
    for line in all_paths(app):
        method, _, path = line.partition(" ")
        text += f"\n## {line}\n\n{_operation_text(app, document, method, path)}"
    return text


def _operation_text(app: Flask, document: Mapping[str, Any], method: str, path: str) -> str:
    operation = document["paths"].get(path, {}).get(method.lower(), {})
    summary = operation.get("summary") or _view_summary(app, method, path)
    text = f"{summary}{' *Token.*' if _needs_token(app, method, path) else ''}\n"
    for name, value in operation.get("responses", {}).items():
        if name.startswith("2") and "content" in value:
            text += f"\nAnswers {name} with {_names(document, value['content'])}.\n"
    body = operation.get("requestBody", {}).get("content", {})
    rows = [_field_row(f["name"], f["schema"], f.get("required", False)) for f in operation.get("parameters", ()) if "name" in f]
    for kind in body.values():
        schema = _resolved(document, kind["schema"])
        needed = schema.get("required", ())
        rows += [_field_row(name, value, name in needed) for name, value in schema.get("properties", {}).items()]
    return text + ("\n" + _table(("Field", "Type", "Needed"), rows) if rows else "")


def _view_summary(app: Flask, method: str, path: str) -> str:
    for rule in app.url_map.iter_rules():
        if shown(rule.rule) == path and method in (rule.methods or ()):
            return (inspect.getdoc(app.view_functions[rule.endpoint]) or "").split("\n\n")[0] or "The OpenAPI document."
    return ""


def _needs_token(app: Flask, method: str, path: str) -> bool:
    """Asked of the application itself."""
    answer = app.test_client().open(re.sub(r"\{.*?\}", "1", path), method=method)
    return answer.status_code == 401 and bool(answer.json) and answer.json["code"] == "token-missing"


def _resolved(document: Mapping[str, Any], schema: Mapping[str, Any]) -> Mapping[str, Any]:
    if "$ref" not in schema:
        return schema
    return document["components"]["schemas"][schema["$ref"].rsplit("/", 1)[1]]


def _names(document: Mapping[str, Any], content: Mapping[str, Any]) -> str:
    properties = [_resolved(document, kind.get("schema", {})).get("properties", {}) for kind in content.values()]
    return ", ".join(f"`{name}`" for kind in properties for name in kind) or "a document"


def _field_row(name: str, schema: Mapping[str, Any], required: bool) -> tuple[str, str, str]:
    kind = schema.get("type", "object")
    keys = ("default", "minimum", "maximum", "minLength", "maxLength")
    limits = [f"{key} {schema[key]}" for key in keys if schema.get(key) not in (None, "")]
    told = " or ".join(map(str, kind)) if isinstance(kind, list) else str(kind)
    if "enum" in schema:
        told = " or ".join(f"`{choice}`" for choice in schema["enum"] if choice is not None)
    return (f"`{name}`", ", ".join([told, *limits]), "yes" if required else "")


# --- text ----------------------------------------------------------------------------------------------------------


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") or not text else ".")


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "".join("| " + " | ".join(cell.replace("|", "\\|").replace("\n", " ") for cell in line) + " |\n" for line in lines)


def main() -> None:
    REFERENCE.mkdir(parents=True, exist_ok=True)
    for name, text in pages().items():
        (REFERENCE / name).write_text(text)
    PACKAGE.write_text(package_text())


if __name__ == "__main__":
    main()
