"""Signed reports as a board or a bench would send them; the values are those of a sound board, worked out from the sheet."""

import base64
import hashlib
import hmac
import json
from collections.abc import Mapping, Sequence
from itertools import count
from typing import Any

from benchworthy.designs import agent_release, catalogue
from benchworthy.designs.plan import plan_for
from benchworthy.designs.sheet import Test, parts_of
from benchworthy.keys.bench_key import BenchKey
from benchworthy.reports.report import Author

SHEET = catalogue.find("tarn-b")
MODULE, PLUG, FIXTURES = "e6614103e7452d31", "TP4-0007", ("TP-4:TP4-0007", "meter:MM-02")
INSPECTED = {item: "good" for item in SHEET.tests["VIS-INSP"].parameters["items"]}

_REFERENCE = SHEET.parts["U3"].value or 0.0  # V, what the sheet's formulas divide by
_VOLTS = {
    0: 2.5,
    1: _REFERENCE,
    4: 0.0,
    5: 1.95,
    6: 1.65,
}  # by multiplexer channel: half of 5 V, U3, no current, D6, half of 3.3 V
_SEQ = count(100)  # every part is numbered anew, as a board counts on
_DIGITAL = {"key": 1, "sda": 1, "scl": 1, **{f"s{n}": 0 for n in range(5)}}


def sound(test: str) -> dict[str, Any]:
    """A reading of `test` that a sound board gives."""
    return reading(test, [[n, n * code, n * code * code, code, code] for n, code in _codes(SHEET.tests[test])])


def reading(test: str, steps: Sequence[Sequence[int]]) -> dict[str, Any]:
    return {"test": test, "steps": [list(step) for step in steps]}


def scaled(test: str, step: str, factor: float) -> dict[str, Any]:
    """A sound reading with one step larger by `factor`."""
    codes = list(_codes(SHEET.tests[test]))
    where = SHEET.tests[test].steps.index(step)
    codes[where] = (codes[where][0], round(codes[where][1] * factor))
    return reading(test, [[n, n * code, n * code * code, code, code] for n, code in codes])


def _codes(test: Test) -> list[tuple[int, int]]:
    """Number of readings and their one value, step by step."""
    if test.procedure == "walk":
        return [(1, pattern.expected) for pattern in SHEET.patterns[test.id]]
    if test.procedure in ("idle", "outputs_off"):
        return [(16, _DIGITAL.get(name, _code(_REFERENCE) if name == "ref" else 0)) for name in test.steps]
    rail = 3.3
    loaded = {name: _header(test.id, name, rail) for name in ("none", "half", "full", "signal")}
    described = {step["name"]: step for step in test.parameters["steps"]}
    return [(16, _code(loaded[name] if name in loaded else _VOLTS[described[name]["select"]])) for name in test.steps]


def _header(test: str, step: str, rail: float) -> float:
    """Volts behind a signal header that the test plug feeds, as the sheet's own formula has it."""
    if test not in ("SNS-S1", "SNS-S2"):
        return 0.0
    value = {ref: part.value or 0.0 for ref, part in SHEET.parts.items()}
    if test == "SNS-S2":
        return rail / 2 * value["R22"] / (value["R22"] + value["R18"] + 10_000.0 / 2)
    fed = {"none": 0.0, "half": rail / 2, "full": rail}.get(step, 0.0)
    return (rail + fed) / 3 * value["R21"] / (value["R21"] + value["R17"] + 10_000.0 / 3)


def _code(volts: float) -> int:
    return round(volts / 3.3 * 4096)


def payload(serial: str, given: Sequence[Mapping[str, Any]], **changes: Any) -> dict[str, Any]:
    """A report's payload as it should be; `changes` replace or add members, None takes one away."""
    release = agent_release.current()
    members = {
        "v": 1,
        "serial": serial,
        "module": MODULE,
        "design": SHEET.name,
        "plan": plan_for(SHEET, "first").hash,
        "agent": {"version": release.version, "hash": release.hash},
        "firmware": "MicroPython",
        "epoch": 1,
        "boot": 1,
        "seq": 1,
        "ms": 1000,
        "readings": list(given),
        **changes,
    }
    return {name: value for name, value in members.items() if value is not None}


def encode(document: Any) -> bytes:
    return json.dumps(document, separators=(",", ":")).encode()


def b64(octets: bytes) -> bytes:
    return base64.urlsafe_b64encode(octets).rstrip(b"=")


def signed(kid: str, key: bytes, body: bytes, **header: Any) -> bytes:
    """A compact token over `body`, HMAC-SHA256 whatever `header` claims."""
    head = encode({"alg": "HS256", "typ": "benchworthy-report", "kid": kid, **header})
    signing = b64(head) + b"." + b64(body)
    return signing + b"." + b64(hmac.new(key, signing, hashlib.sha256).digest())


def field(serial: str, key_hex: str, readings: Sequence[Mapping[str, Any]] | None = None, **changes: Any) -> bytes:
    """A field report; by default of three tests that need no plug."""
    given = readings if readings is not None else [sound(test) for test in ("PWR-V33M", "PWR-V5", "KEY-IDLE")]
    return signed(f"f.{serial}.1", bytes.fromhex(key_hex), encode(payload(serial, given, **changes)))


def plain_part(opened: Mapping[str, Any], serial: str, number: int, **changes: Any) -> dict[str, Any]:
    """Payload of one of the board's parts of an open run, every reading sound."""
    author = Author.BOARD
    tests = next(p.tests for p in parts_of(SHEET, "first") if (p.author, p.number) == (author, number))
    named = {"run": opened["run"], "nonce": opened["nonce"], "part": number, "seq": next(_SEQ), "seen": {"plug": PLUG}}
    return payload(serial, [sound(test) for test in tests], **{**named, **changes})


def part(opened: Mapping[str, Any], serial: str, number: int, **changes: Any) -> bytes:
    """One of the board's parts, signed with the run's key."""
    return signed(f"r.{opened['run']}", bytes.fromhex(opened["key"]), encode(plain_part(opened, serial, number, **changes)))


def replaced(readings: Sequence[Mapping[str, Any]], *others: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """`readings` with those of `others` in their places."""
    by_test = {other["test"]: other for other in others}
    return [by_test.get(one["test"], one) for one in readings]


def part_with(opened: Mapping[str, Any], serial: str, number: int, *others: Mapping[str, Any], **changes: Any) -> bytes:
    """One of the board's parts, some of its readings replaced."""
    given = plain_part(opened, serial, number)["readings"]
    return part(opened, serial, number, readings=replaced(given, *others), **changes)


def bench_part(opened: Mapping[str, Any], serial: str, key: BenchKey, **changes: Any) -> bytes:
    """The bench's part: the module's id and the files of the approved agent, nothing else on the board."""
    release = agent_release.current()
    files = {path: digest[:32] for path, digest in release.files.items()}
    readings = [{"test": "MCU-ID", "text": MODULE}, {"test": "MCU-FW", "items": files}]
    named = {"run": opened["run"], "nonce": opened["nonce"], "part": 1}
    return key.sign_report(encode(payload(serial, readings, **{**named, **changes})))
