"""Every code with which a report can be refused before and at the schema, each from the smallest report that earns it."""

import base64
import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchworthy import errors
from benchworthy.intake.wire import read_report
from benchworthy.reports.token import MAX_BYTES, KeyKind, parse_key_id, split

HEX32 = "0123456789abcdef" * 2
PAYLOAD: dict[str, Any] = {
    "v": 1, "serial": "TB001X", "module": "e661410403", "design": "tarn-b", "plan": HEX32,
    "agent": {"version": "1.0.0", "hash": HEX32}, "firmware": "v1.28.0", "epoch": 1, "boot": 7, "seq": 3, "ms": 12345,
    "run": "r-abcd", "nonce": HEX32, "part": 1, "seen": {"plug": "TP4-0007"},
    "readings": [{"test": "PWR-V5", "steps": [[2, 10, 52, 4, 6]]}, {"test": "GPIO-WALK", "not_run": "no plug"}],
}  # fmt: skip
HEADER = {"alg": "HS256", "typ": "benchworthy-report", "kid": "f.TB001X.1"}


def b64(octets: bytes) -> bytes:
    return base64.urlsafe_b64encode(octets).rstrip(b"=")


def token(header: Any = HEADER, payload: bytes = b"{}", signature: bytes = b"s" * 32) -> bytes:
    octets = header if isinstance(header, bytes) else json.dumps(header).encode()
    return b".".join((b64(octets), b64(payload), b64(signature)))


def payload(**changes: Any) -> bytes:
    """The sound payload with some names changed, or left out where the value is Ellipsis."""
    return json.dumps({name: value for name, value in {**PAYLOAD, **changes}.items() if value is not ...}).encode()


# --- the token -----------------------------------------------------------------------------------------------------


def test_a_sound_token_is_taken_apart() -> None:
    """Key id and payload come out, the bytes are kept as received, and the digest is over them."""
    raw = token(payload=payload())
    taken = split(raw)
    assert (taken.raw, taken.key.kind, taken.key.name, taken.key.epoch) == (raw, KeyKind.FIELD, "TB001X", 1)
    assert json.loads(taken.payload) == PAYLOAD
    assert len(taken.digest) == 32


def test_the_largest_report_is_let_in_and_one_byte_more_is_not() -> None:
    """At most 4096 bytes in all."""
    room = MAX_BYTES - len(token(payload=b""))
    raw = token(payload=b"x" * (room * 3 // 4))
    assert len(raw) <= MAX_BYTES
    assert split(raw).raw == raw
    with pytest.raises(errors.ReportTooLarge) as caught:
        split(b"a" * (MAX_BYTES + 1))
    assert caught.value.facts == {"bytes": MAX_BYTES + 1, "limit": MAX_BYTES}


@pytest.mark.parametrize(
    "raw",
    [b"", b"a.b", b"a..c", b"a.b.c.d", b"a.b.c\n", token() + b"=", token().replace(b".", b" "), b"\xff\xfe.a.b", b"aaaaa.bb.cc",
     token()[:-1] + b"B"],
    ids=["empty", "two parts", "empty part", "four parts", "line end", "padding", "blanks", "bytes", "length 5", "loose bits"],
)  # fmt: skip
def test_what_is_no_compact_token_is_refused(raw: bytes) -> None:
    """Three base64url parts, no padding, in their one shortest form."""
    with pytest.raises(errors.ReportNotAToken):
        split(raw)


@pytest.mark.parametrize(
    "header",
    [
        b"\xff", b"{", b"[]", b"null", b"[" * 1000,
        {"alg": "HS256", "kid": "f.TB001X.1"},
        {**HEADER, "crit": []},
        {**HEADER, "jwk": {}},
        {**HEADER, "typ": "JWT"},
        {**HEADER, "kid": 1},
        {**HEADER, "alg": "none"},
        {**HEADER, "alg": "hs256"},
        {**HEADER, "alg": ["HS256"]},
        {**HEADER, "alg": "Ed25519"},
        {**HEADER, "kid": "r.r-abcd", "alg": "Ed25519"},
        {**HEADER, "kid": "b." + "A" * 43},
        {**HEADER, "kid": "b." + "A" * 42, "alg": "Ed25519"},
        {**HEADER, "kid": "f.TB001X.0"},
        {**HEADER, "kid": "f.TB001X"},
        {**HEADER, "kid": "f.tb001x.1"},
        {**HEADER, "kid": "r.R-ABCD"},
        {**HEADER, "kid": "f.TB001X.1\n"},
        {**HEADER, "kid": "../site.secret"},
    ],
    ids=lambda header: str(header)[:60],
)  # fmt: skip
def test_a_header_that_is_not_exactly_ours_is_refused(header: Any) -> None:
    """alg, typ and kid and nothing else; each kind of key with its one algorithm."""
    with pytest.raises(errors.ReportHeaderRefused):
        split(token(header))


@pytest.mark.parametrize("text", ["f.TB001X.1", "r.r-abcd", "b." + "A" * 43])
def test_a_key_id_is_written_as_it_was_read(text: str) -> None:
    """Three kinds, one spelling each."""
    assert str(parse_key_id(text)) == text


# --- the payload ---------------------------------------------------------------------------------------------------


def test_a_sound_payload_becomes_a_report() -> None:
    """All names arrive; a step's mean and variance are those of its raw integers."""
    report = read_report(payload())
    assert (report.serial, report.run, report.part, report.agent_version) == ("TB001X", "r-abcd", 1, "1.0.0")
    step = report.readings[0].steps[0]
    assert (step.mean, step.variance) == (5.0, 2.0)
    assert report.readings[1].not_run == "no plug"


@pytest.mark.parametrize(
    ("raw", "refusal"),
    [
        (b'{"v": "\xff"}', errors.ReportNotUtf8),
        (b"\xff\xfe{\x00}\x00", errors.ReportNotUtf8),
        (b"", errors.ReportNotJson),
        (b"{", errors.ReportNotJson),
        (b"[]", errors.ReportNotJson),
        (b'"text"', errors.ReportNotJson),
        (b"{} {}", errors.ReportNotJson),
        (b'{"a": ' + b"[" * 9 + b"]" * 9 + b"}", errors.ReportNotJson),
        (b"[" * 4000, errors.ReportNotJson),
        (b'{"v": 1, "v": 1}', errors.ReportDuplicateKey),
        (b'{"agent": {"hash": "a", "hash": "b"}}', errors.ReportDuplicateKey),
        (b'{"v": NaN}', errors.ReportNumberNotFinite),
        (b'{"v": -Infinity}', errors.ReportNumberNotFinite),
        (b'{"v": 1e999}', errors.ReportNumberNotFinite),
        (b"{}", errors.ReportSchemaMismatch),
    ],
    ids=lambda value: repr(value)[:30] if isinstance(value, bytes) else value.code,
)  # fmt: skip
def test_each_refusal_of_a_payload_has_its_own_code(raw: bytes, refusal: type[errors.ReportRefused]) -> None:
    """From bytes to JSON: one error for each thing that can be wrong."""
    with pytest.raises(refusal) as caught:
        read_report(raw)
    assert type(caught.value) is refusal


def _readings(**reading: Any) -> dict[str, Any]:
    return {"readings": [{"test": "PWR-V5", **reading}]}


@pytest.mark.parametrize(
    ("changes", "place"),
    [
        ({"v": 2}, "v"),
        ({"v": "1"}, "v"),
        ({"v": True}, "v"),
        ({"serial": ...}, "serial"),
        ({"serial": "tb001x"}, "serial"),
        ({"serial": "TB001X\n"}, "serial"),
        ({"module": "E661"}, "module"),
        ({"plan": "abc"}, "plan"),
        ({"agent": {"version": "1.0.0"}}, "agent"),
        ({"agent": {"version": "1.0.0", "hash": HEX32, "more": 1}}, "agent"),
        ({"boot": 1.5}, "boot"),
        ({"seq": "3"}, "seq"),
        ({"ms": 2**60}, "ms"),
        ({"verdict": "pass"}, "verdict"),
        ({"run": ...}, "run"),
        ({"nonce": ...}, "run"),
        ({"part": ...}, "run"),
        ({"part": 0}, "part"),
        ({"run": "r-1"}, "run"),
        ({"seen": {"plug": "x" * 65}}, "seen"),
        ({"seen": {"stand_in": "yes"}}, "seen"),
        ({"readings": []}, "readings"),
        ({"readings": [{"test": "PWR-V5", "not_run": "x"}] * 2}, "readings"),
        (_readings(), "readings"),
        (_readings(text="a", error="b"), "readings"),
        (_readings(value=5.0), "readings"),
        (_readings(text=""), "readings"),
        (_readings(text="x" * 65), "readings"),
        (_readings(number=1.23456789), "readings"),
        (_readings(number="5"), "readings"),
        (_readings(number=True), "readings"),
        (_readings(steps=[]), "readings"),
        (_readings(steps=[[1, 1, 1, 1]]), "readings"),
        (_readings(steps=[[1, 1.0, 1, 1, 1]]), "readings"),
        (_readings(steps=[[True, 1, 1, 1, 1]]), "readings"),
        (_readings(steps=[[0, 0, 0, 0, 0]]), "readings"),
        (_readings(steps=[[2, 10, 52, 6, 4]]), "readings"),
        (_readings(steps=[[2, 10, 49, 4, 6]]), "readings"),
        (_readings(steps=[[2, 99, 5200, 4, 6]]), "readings"),
        (_readings(items={"": "x"}), "readings"),
        (_readings(draw=3, text="a"), "readings"),
        ({"readings": [{"test": "pwr", "text": "a"}]}, "readings"),
    ],
    ids=lambda value: str(value)[:50],
)  # fmt: skip
def test_a_payload_off_the_schema_is_refused_with_its_place(changes: dict[str, Any], place: str) -> None:
    """Whole numbers are whole, unknown names are refused, exactly one kind of reading, numbers that fit each other."""
    with pytest.raises(errors.ReportSchemaMismatch) as caught:
        read_report(payload(**changes))
    assert place in caught.value.facts["errors"]


@given(st.binary(max_size=300))
def test_no_bytes_get_past_the_gate_or_crash_it(raw: bytes) -> None:
    """Whatever comes is refused by one of our own errors."""
    with pytest.raises(errors.ReportRefused):
        split(raw)
    with pytest.raises(errors.ReportRefused):
        read_report(raw)


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)


@given(name=st.sampled_from(sorted(PAYLOAD)), value=_JSON)
def test_no_value_of_any_name_crashes_the_schema(name: str, value: Any) -> None:
    """Any JSON at any name gives a report or one of our own errors."""
    try:
        read_report(payload(**{name: value}))
    except errors.ReportRefused:
        return
