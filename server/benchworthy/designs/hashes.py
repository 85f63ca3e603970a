"""The two hashes of a sheet: what it judges by, and what it merely tells people."""

import dataclasses
import hashlib
import json
from collections.abc import Mapping
from typing import Any

from benchworthy.designs.formula import Formula
from benchworthy.designs.parts import Part
from benchworthy.designs.sheet import Pattern, Phase, Policy, Test

_GUIDE_KEYS = frozenset({"title", "caution", "ask", "next", "hazard", "guards"})


def judging(
    parts: Mapping[str, Part],
    tests: Mapping[str, Test],
    phases: tuple[Phase, ...],
    policy: Policy,
    state_files: Mapping[str, int],
    patterns: Mapping[str, tuple[Pattern, ...]],
) -> str:
    """Hash of tests, tolerances, rules, and of the part values and healthy patterns they rest on."""
    document = {
        "parts": {ref: [part.value, part.tolerance] for ref, part in parts.items()},
        "tests": {name: _plain(test) for name, test in tests.items()},
        "phases": [[phase.name, list(phase.fixtures), phase.action] for phase in phases],
        "policy": dataclasses.asdict(policy),
        "state_files": dict(state_files),
        "patterns": {name: [[p.expected, p.care] for p in rows] for name, rows in patterns.items()},
    }
    return _digest(document)


def guide(values: Mapping[str, Any]) -> str:
    """Hash of all that is for people: titles, questions, cautions, next steps, sets, stages of the build, what is lent along."""
    tests = {name: {k: v for k, v in test.items() if k in _GUIDE_KEYS} for name, test in values["tests"].items()}
    phases = {phase["name"]: phase.get("ask", "") for phase in values.get("phases", ())}
    told = {"tests": tests, "sets": values["sets"], "phases": phases, "design": values["design"]}
    # a sheet without these lists keeps the hash it had
    return _digest({**told, **{name: values[name] for name in ("accessories", "effort", "stages") if name in values}})


def _plain(test: Test) -> dict[str, Any]:
    fields = {f.name: getattr(test, f.name) for f in dataclasses.fields(test) if f.name not in _GUIDE_KEYS}
    fields["sets"], fields["needs"] = sorted(test.sets), sorted(test.needs)
    fields["quantities"] = [{f.name: _text(getattr(q, f.name)) for f in dataclasses.fields(q)} for q in test.quantities]
    return fields


def _text(value: Any) -> Any:
    if isinstance(value, Formula):
        return value.text
    if isinstance(value, tuple):
        return [dataclasses.astuple(term) for term in value]
    return value


def _digest(document: Any) -> str:
    text = json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()
