"""Reports: only the key that the kid names, with the one algorithm of its kind, lets a report in."""

import base64
import hashlib
import hmac
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchworthy.errors import ReportSignatureBad
from benchworthy.keys import derive
from benchworthy.keys.bench_key import BenchKey
from benchworthy.keys.secret import SiteSecret
from benchworthy.keys.verifier import KeyRing
from benchworthy.ports import Verifier
from benchworthy.reports.receipt import message
from benchworthy.reports.token import TYPE, KeyId, KeyKind, digest, split

SECRET = SiteSecret(bytes(range(32)))
RING: Verifier = KeyRing(SECRET)
SERIAL, RUN, NONCE = "TARN0001A", "r-0001abcd", "00112233445566778899aabbccddeeff"
FIELD = KeyId(KeyKind.FIELD, SERIAL, 1)
RUNNING = KeyId(KeyKind.RUN, RUN)
PAYLOAD = b'{"v":1,"serial":"TARN0001A"}'


@pytest.fixture
def bench(tmp_path: Path) -> BenchKey:
    return BenchKey.load_or_create(tmp_path / "bench.jwk")


def b64(octets: bytes) -> bytes:
    return base64.urlsafe_b64encode(octets).rstrip(b"=")


def hs256(key: bytes, name: str, payload: bytes = PAYLOAD, **header: Any) -> bytes:
    """A token made by hand, as a board makes it; `header` overrides members or adds some."""
    members = {"alg": "HS256", "typ": TYPE, "kid": name} | header
    signed = b64(json.dumps(members).encode()) + b"." + b64(payload)
    return signed + b"." + b64(hmac.new(key, signed, hashlib.sha256).digest())


def field_token(payload: bytes = PAYLOAD, **header: Any) -> bytes:
    return hs256(derive.field_key(SECRET, SERIAL, 1), str(FIELD), payload, **header)


def run_token(**header: Any) -> bytes:
    return hs256(derive.run_key(SECRET, RUN, NONCE), str(RUNNING), **header)


def named(bench: BenchKey) -> tuple[KeyId, dict[str, str]]:
    """A bench's key id and what the record holds about it."""
    return KeyId(KeyKind.BENCH, bench.thumbprint), {"jwk": json.dumps(bench.public_jwk)}


def refused(raw: bytes, key: KeyId, material: dict[str, str] | None = None) -> str:
    with pytest.raises(ReportSignatureBad) as caught:
        RING.verify(raw, key, material or {})
    return caught.value.detail


def test_each_kind_of_key_signs_its_reports(bench: BenchKey) -> None:
    RING.verify(field_token(), FIELD, {})
    RING.verify(run_token(), RUNNING, {"nonce": NONCE})
    RING.verify(bench.sign_report(PAYLOAD), *named(bench))


def test_a_bench_report_is_a_report_token(bench: BenchKey) -> None:
    """The gate takes it apart as it does a board's."""
    token = split(bench.sign_report(PAYLOAD))
    assert token.key == KeyId(KeyKind.BENCH, bench.thumbprint)
    assert token.payload == PAYLOAD


def test_alg_none_is_refused() -> None:
    head = b64(json.dumps({"alg": "none", "typ": TYPE, "kid": str(FIELD)}).encode())
    for signature in (b"", b64(b"x" * 32)):
        refused(head + b"." + b64(PAYLOAD) + b"." + signature, FIELD)


@pytest.mark.parametrize("alg", ["none", "HS384", "HS512", "EdDSA", "Ed25519", "RS256", "ES256", "hs256", ""])
def test_a_field_key_admits_hs256_and_nothing_else(alg: str) -> None:
    refused(field_token(alg=alg), FIELD)


@pytest.mark.parametrize("alg", ["none", "HS256", "EdDSA", "Ed448", "ES256"])
def test_a_bench_key_admits_ed25519_and_nothing_else(bench: BenchKey, alg: str) -> None:
    """With HS256, the public key that everybody may know would be the secret."""
    key, material = named(bench)
    x = bench.public_jwk["x"]
    for guess in (x.encode(), base64.urlsafe_b64decode(x + "="), material["jwk"].encode()):
        refused(hs256(guess, str(key), alg=alg), key, material)


@pytest.mark.parametrize(
    "extra",
    [
        {"crit": ["exp"], "exp": 1},
        {"crit": ["b64"], "b64": False},
        {"crit": []},
        {"crit": 5},
        {"b64": False},
        {"jwk": {"kty": "oct", "k": "AAAA"}},
        {"jku": "https://example.org/keys"},
        {"zip": "DEF"},
        {"typ": "JWT"},
        {"typ": None},
        {"kid": None},
        {"alg": None},
        {"alg": ["HS256"]},
    ],
)
def test_other_header_members_are_refused(extra: dict[str, Any]) -> None:
    """All of them well signed: the header itself is at fault."""
    refused(field_token(**extra), FIELD)


def test_keys_of_another_kind_epoch_board_run_or_site_are_refused(bench: BenchKey) -> None:
    other_site = SiteSecret(bytes(32))
    for key in (
        derive.field_key(SECRET, SERIAL, 2),
        derive.field_key(SECRET, "TARN0002B", 1),
        derive.field_key(other_site, SERIAL, 1),
        derive.run_key(SECRET, RUN, NONCE),
        SECRET.octets,
        b"\0" * 32,
    ):
        refused(hs256(key, str(FIELD)), FIELD)
    refused(hs256(derive.field_key(SECRET, SERIAL, 1), str(RUNNING)), RUNNING, {"nonce": NONCE})
    refused(run_token(), RUNNING, {"nonce": "f" * 32})


def test_the_key_asked_for_must_be_the_key_named(bench: BenchKey) -> None:
    """A good token under one key is no token under another."""
    key, material = named(bench)
    assert "names the key" in refused(run_token(), FIELD)
    assert "names the key" in refused(field_token(), RUNNING, {"nonce": NONCE})
    assert "names the key" in refused(field_token(), key, material)
    assert "names the key" in refused(bench.sign_report(PAYLOAD), FIELD, material)


def test_a_record_that_cannot_give_the_key_refuses(bench: BenchKey, tmp_path: Path) -> None:
    for nonce in ({}, {"nonce": ""}, {"nonce": NONCE.upper()}, {"nonce": NONCE + "\0"}):
        refused(run_token(), RUNNING, nonce)
    key, material = named(bench)
    private = (tmp_path / "bench.jwk").read_text()
    for jwk in ({}, {"jwk": ""}, {"jwk": "[]"}, {"jwk": "[" * 100_000}, {"jwk": private}):
        refused(bench.sign_report(PAYLOAD), key, jwk)
    other = BenchKey.load_or_create(tmp_path / "other.jwk")
    assert "is not b." in refused(bench.sign_report(PAYLOAD), key, named(other)[1])
    forged = other.sign_report(PAYLOAD).split(b".")
    genuine = bench.sign_report(b"{}").split(b".")
    refused(b".".join((genuine[0], *forged[1:])), key, material)


def test_every_changed_character_is_noticed(bench: BenchKey) -> None:
    """Header, payload or signature: no position is without meaning."""
    key, material = named(bench)
    for raw, name, record in ((field_token(), FIELD, {}), (bench.sign_report(PAYLOAD), key, material)):
        for at in range(len(raw)):
            other = b"A" if raw[at : at + 1] != b"A" else b"B"
            refused(raw[:at] + other + raw[at + 1 :], name, record)


def test_every_truncation_is_noticed() -> None:
    raw = field_token()
    for length in range(len(raw)):
        refused(raw[:length], FIELD)
    for tail in (b"A", b"=", b"\n", b".", b".AAAA"):
        refused(raw + tail, FIELD)
    refused(field_token(b"x" * 4096), FIELD)


@given(st.binary(max_size=300))
def test_garbage_is_refused_and_nothing_else_happens(raw: bytes) -> None:
    refused(raw, FIELD)


@given(st.recursive(st.none() | st.integers() | st.text(max_size=9), st.lists), st.binary(max_size=40))
def test_any_json_as_header_is_refused(header: Any, tail: bytes) -> None:
    refused(b".".join((b64(json.dumps(header).encode()), b64(PAYLOAD), b64(tail))), FIELD)


def test_a_receipt_is_coded_with_the_raw_key_that_signed(bench: BenchKey) -> None:
    """The board knows only its own key, so it computes the same with plain HMAC."""
    text = message(digest(field_token()), "in limits")
    field = hmac.new(derive.field_key(SECRET, SERIAL, 1), text, hashlib.sha256).hexdigest()
    run = hmac.new(derive.run_key(SECRET, RUN, NONCE), text, hashlib.sha256).hexdigest()
    assert RING.receipt_code(FIELD, {}, text) == field
    assert RING.receipt_code(RUNNING, {"nonce": NONCE}, text) == run
    assert RING.receipt_code(*named(bench), text) == ""
    with pytest.raises(ReportSignatureBad):
        RING.receipt_code(RUNNING, {}, text)


def test_derived_keys_follow_the_written_form() -> None:
    """The form stands in derive.py: boards in the field depend on it, so it must not drift."""
    octets = SECRET.octets
    field = derive.hkdf(octets, b"benchworthy\0field\0TARN0001A\x001")
    run = derive.hkdf(octets, b"benchworthy\0run\0r-0001abcd\x00" + NONCE.encode())
    broker = derive.hkdf(octets, b"benchworthy\0broker\0TARN0001A\x001")
    assert derive.field_key(SECRET, SERIAL, 1) == field and len(field) == 32
    assert derive.run_key(SECRET, RUN, NONCE) == run
    assert derive.broker_password(SECRET, SERIAL, 1) == b64(broker).decode()
    assert len({field, run, broker}) == 3


@pytest.mark.parametrize(("serial", "epoch"), [("", 1), ("A\0B", 1), ("TARN0001A", 0), ("TARN0001A", -1)])
def test_names_that_could_be_read_two_ways_derive_nothing(serial: str, epoch: int) -> None:
    with pytest.raises(ValueError, match=r"needs a name|count from 1"):
        derive.field_key(SECRET, serial, epoch)
    with pytest.raises(ValueError, match=r"needs a name|count from 1"):
        derive.broker_password(SECRET, serial, epoch)
