"""A certificate's token and its results document, turned into words that can be drawn.

What the document says and this file does not know by name is printed all the same, under its own name: a results
document that learns something new loses nothing on paper.
"""

import base64
import binascii
import hashlib
import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from benchworthy.documents import numbers
from benchworthy.documents.typeface import shown
from benchworthy.errors import PrintRefused

_KNOWN: Final = frozenset(
    {"title", "id", "place", "notice", "item", "method", "rule", "dates", "people", "bench", "fixtures", "run",
     "no_fault_found", "evidence", "results", "end", "waivers", "stages"}
)  # fmt: skip
_LONG: Final = 300
_SHORT: Final = 80


@dataclass(frozen=True, slots=True)
class Line:
    """One quantity of a test."""

    name: str
    value: str
    expanded: str
    limits: str
    verdict: str
    conformity: str


@dataclass(frozen=True, slots=True)
class TestResult:
    """One test: what came out, by whom, under which conditions, and what its limits rest on."""

    test: str
    title: str
    verdict: str
    author: str
    lines: tuple[Line, ...]
    details: str


@dataclass(frozen=True, slots=True)
class Words:
    """Everything that a certificate prints, in words."""

    id: str
    serial: str
    design: str
    virtual: bool
    issued: datetime
    until: datetime
    notice: str
    facts: tuple[tuple[str, str], ...]
    rule: str
    results: tuple[TestResult, ...]
    remarks: tuple[str, ...]
    people: tuple[tuple[str, str], ...]
    evidence: tuple[str, ...]
    end: str
    waivers: tuple[str, ...] = ()
    built: tuple[str, ...] = ()
    one_person: str = ""


def read(token: str, results: str) -> Words:
    """Both as words. Raises PrintRefused when the results are not those that the certificate names."""
    claims = _claims(token)
    if hashlib.sha256(results.encode()).hexdigest() != claims.get("results"):
        raise PrintRefused("The results document is not the one that the certificate names.")
    try:
        return _words(json.loads(results), claims)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError, RecursionError) as fault:
        raise PrintRefused(f"The results document cannot be read: {type(fault).__name__} at {fault}.") from fault


def _claims(token: str) -> Mapping[str, Any]:
    """The payload; whether the signature holds is for who reads the paper to check."""
    try:
        payload = token.split(".")[1]
        claims = json.loads(base64.urlsafe_b64decode(payload + "=" * (-len(payload) % 4)))
    except (IndexError, ValueError, binascii.Error) as fault:
        raise PrintRefused("The certificate is no signed token.") from fault
    if not isinstance(claims, dict):
        raise PrintRefused("The certificate's token holds no claims.")
    return claims


def _words(document: Mapping[str, Any], claims: Mapping[str, Any]) -> Words:
    item, dates, people = document["item"], document["dates"], document["people"]
    return Words(
        id=shown(str(document["id"]), _SHORT),
        serial=shown(str(item["serial"]), _SHORT),
        design=shown(str(item["design"]), _SHORT),
        virtual=bool(item.get("virtual")) or claims.get("virtual") is True,
        issued=_moment(dates["issued"]),
        until=_moment(dates["valid_until"]),
        notice=shown(str(document.get("notice", "")), _LONG),
        facts=tuple(_facts(document)),
        rule=shown(f"{document['rule'].get('name', '')}: {document['rule']['text']}", 1000),
        results=tuple(_result(entry) for entry in document["results"]),
        remarks=tuple(_remarks(document)),
        people=tuple(_people(people)),
        evidence=tuple(_spoken(entry, _LONG) for entry in document.get("evidence", ())),
        end=shown(str(document.get("end", "End of the results.")), _SHORT),
        waivers=tuple(_waiver(entry) for entry in document.get("waivers") or ()),
        built=tuple(_stage(entry) for entry in document.get("stages") or ()),
        one_person=shown(str(people.get("one_person") or ""), _LONG),
    )


def _waiver(entry: Mapping[str, Any]) -> str:
    """A test that was let go, in a sentence; whatever its entry leaves out is left out here too."""
    head = ", ".join(str(entry[name]) for name in ("test", "title") if entry.get(name))
    end = f" until {numbers.moment_text(_moment(entry['until']))}" if entry.get("until") else ""
    by = f" by {entry['by']}" if entry.get("by") else ""
    told = f"{head}: {entry.get('verdict') or 'not in limits'}. Let go{end}{by}: {entry.get('reason') or 'no reason given'}"
    known = {"number", "test", "title", "verdict", "until", "by", "reason"}
    return shown("; ".join([told, *(f"{name.lower()}: {value}" for name, value in _others(entry, known))]), 900)


def _stage(entry: Mapping[str, Any]) -> str:
    head = ", ".join(str(entry[name]) for name in ("stage", "title") if entry.get(name))
    when = f", {numbers.moment_text(_moment(entry['signed']))}" if entry.get("signed") else ""
    told = f"Stage {head}: built by {entry.get('builder') or '-'}, looked at by {entry.get('inspector') or '-'}{when}."
    known = {"stage", "title", "builder", "inspector", "signed"}
    return shown(" ".join([told, *(f"{name}: {value}." for name, value in _others(entry, known))]), 900)


def _moment(text: str) -> datetime:
    moment = datetime.fromisoformat(text)
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def _facts(document: Mapping[str, Any]) -> Iterable[tuple[str, str]]:
    item, method, dates = document["item"], document["method"], document["dates"]
    given: list[tuple[str, Any]] = [
        ("Certificate", document["id"]),
        ("Issued", numbers.moment_text(_moment(dates["issued"]))),
        ("Valid until", numbers.moment_text(_moment(dates["valid_until"]))),
        ("Issued by the site", document.get("place")),
        ("Authorised by", document["people"].get("authorised")),
        ("Controller module", item.get("module")),
        ("Kit lot", item.get("kit_lot")),
        ("Run", document["run"]),
        ("Test set", method.get("set")),
        ("Run opened", numbers.moment_text(_moment(dates["opened"]))),
        ("Run closed", numbers.moment_text(_moment(dates["closed"]))),
        ("Bench", document.get("bench")),
        ("Fixtures", document.get("fixtures") or "none"),
        ("Sheet", method.get("sheet")),
        ("Sheet, judging part", method.get("judging")),
        ("Sheet, guide part", method.get("guide")),
        ("Coverage", method.get("coverage")),
        ("Agent on the board", method.get("agent_version")),
        ("Agent's files", method.get("agent")),
    ]
    yield from ((name, _spoken(value, _LONG)) for name, value in given if value not in (None, ""))
    told = (
        ("item", {"serial", "design", "module", "kit_lot", "virtual"}),
        ("dates", {"issued", "valid_until", "opened", "closed"}),
    )
    for part, known in (*told, ("method", {"sheet", "judging", "guide", "set", "coverage", "agent", "agent_version"})):
        yield from _others(document[part], known)


def _others(part: Mapping[str, Any], known: Iterable[str]) -> Iterable[tuple[str, str]]:
    """What a newer results document says beyond what is known here."""
    for name in sorted(set(part) - set(known)):
        if part[name] not in (None, "", [], {}):
            yield shown(name.replace("_", " ").capitalize(), _SHORT), _spoken(part[name], _LONG)


def _remarks(document: Mapping[str, Any]) -> Iterable[str]:
    found = document.get("no_fault_found") or ()
    if found:
        yield f"Outs that three complete runs did not show again (no fault found): {_spoken(found, _LONG)}."
    yield from (f"{name}: {value}" for name, value in _others(document, _KNOWN))


def _people(people: Mapping[str, Any]) -> Iterable[tuple[str, str]]:
    yield "Opened the run", _spoken(people.get("opened") or "-", _SHORT)
    yield "Authorised the certificate", _spoken(people.get("authorised") or "-", _SHORT)
    answered: dict[str, list[str]] = {}
    for test, code in sorted((people.get("answered") or {}).items()):
        answered.setdefault(str(code), []).append(str(test))
    yield from ((shown(f"{code} answered", _SHORT), shown(", ".join(tests), 1500)) for code, tests in answered.items())
    yield from _others(people, {"opened", "authorised", "answered", "one_person"})


def _result(entry: Mapping[str, Any]) -> TestResult:
    quantities = entry.get("quantities") or ()
    sources = dict.fromkeys(str(q["source"]) for q in quantities if q.get("source"))
    details = [f"by {entry['author']}"]
    if entry.get("conditions"):
        details.append(f"conditions: {_spoken(entry['conditions'], _LONG)}")
    if sources:
        details.append(f"limits from: {'; '.join(sources)}")
    if entry.get("remark"):
        details.append(f"remark: {entry['remark']}")
    known = {"test", "title", "author", "verdict", "conditions", "remark", "quantities"}
    details += [f"{name.lower()}: {value}" for name, value in _others(entry, known)]
    return TestResult(
        shown(str(entry["test"]), _SHORT),
        shown(str(entry["title"]), 160),
        shown(str(entry["verdict"]), 20),
        shown(str(entry["author"]), 20),
        tuple(_line(quantity) for quantity in quantities),
        shown("; ".join(details), 900),
    )


def _line(quantity: Mapping[str, Any]) -> Line:
    low, high = _limit(quantity["low"], -math.inf), _limit(quantity["high"], math.inf)
    value, expanded, unit = str(quantity["value"]), str(quantity["expanded_uncertainty"]), str(quantity.get("unit") or "")
    return Line(
        shown(str(quantity["name"]), _SHORT),
        shown(f"{numbers.value_text(value, expanded, low, high)} {unit}".strip(), 40),
        shown(numbers.number_text(expanded), 20),
        shown(f"{numbers.limits_text(low, high)} {unit}".strip(), 60),
        shown(str(quantity["verdict"]), 20),
        numbers.share_text(float(quantity["conformity"])),
    )


def _limit(given: float | None, without: float) -> float:
    """A tolerance may be open on one side."""
    return without if given is None else float(given)


def _spoken(value: Any, most: int) -> str:
    """Any JSON value on one line."""
    return shown(_flat(value), most)


def _flat(value: Any) -> str:
    match value:
        case None:
            return "none"
        case bool():
            return "yes" if value else "no"
        case Mapping():
            given = {str(name).replace("_", " "): inner for name, inner in value.items() if inner is not None}
            return ", ".join(f"{name} {_flat(inner)}" for name, inner in given.items())
        case list() | tuple():
            return "; ".join(_flat(inner) for inner in value)
        case _:
            return str(value)
