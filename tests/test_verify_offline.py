"""Certificates judged offline: the four exit codes, and every way in which a token can be wrong."""

import base64
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from joserfc import jws
from joserfc.jwk import OctKey, OKPKey

from benchworthy.errors import TokenInvalid
from benchworthy.keys.signer import SiteSigner
from benchworthy.keys.status import (
    Exit,
    Standing,
    judge,
    open_token,
    verify,
)
from benchworthy.ports import Signer
from benchworthy.reports.signed import CERTIFICATE_TYPE, STATUS_LIST_TYPE

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
ISSUED = NOW - timedelta(days=10)
KEY = OKPKey.generate_key("Ed25519")
SIGNER: Signer = SiteSigner(KEY)


def seconds(moment: datetime) -> int:
    return int(moment.timestamp())


def certificate(**changes: Any) -> dict[str, Any]:
    claims: dict[str, Any] = {
        "id": "c-0001",
        "serial": "TARN0001A",
        "module": "e6614c775b7d4a2e",
        "design": "tarn-b",
        "judging": "0" * 32,
        "run": "r-0001abcd",
        "results": "0" * 64,
        "rule": "simple",
        "iat": seconds(ISSUED),
        "exp": seconds(NOW + timedelta(days=80)),
        "site": "space",
        "ledger": "0" * 64,
    }
    return claims | changes


def status(word: Any = "in-force", age: timedelta = timedelta(hours=1), **changes: Any) -> dict[str, Any]:
    return {"site": "space", "iat": seconds(NOW - age), "certificates": {"c-0001": word}} | changes


def token(claims: dict[str, Any], type_name: str = CERTIFICATE_TYPE) -> str:
    return SIGNER.sign(type_name, claims)


def verdict(claims: dict[str, Any], listed: dict[str, Any] | None) -> Standing:
    """Through both tokens, as the command does it."""
    list_token = None if listed is None else token(listed, STATUS_LIST_TYPE)
    return verify(token(claims), list_token, SIGNER.jwks(), NOW)


def by_hand(header: Any, payload: bytes = b"{}") -> str:
    """A token with any header, well signed by the site's key."""
    parts = [base64.urlsafe_b64encode(p).rstrip(b"=") for p in (json.dumps(header).encode(), payload)]
    private = KEY.private_key
    assert private is not None
    signature = private.sign(b".".join(parts))  # type: ignore[union-attr]
    return b".".join((*parts, base64.urlsafe_b64encode(signature).rstrip(b"="))).decode()


def header(**changes: Any) -> dict[str, Any]:
    return {"alg": "Ed25519", "kid": SIGNER.thumbprint, "typ": CERTIFICATE_TYPE} | changes


def refused(text: str, jwks: dict[str, Any] | None = None) -> str:
    """The token is refused, and `verify` turns that into exit code 5."""
    keys = SIGNER.jwks() if jwks is None else jwks
    assert verify(text, None, keys, NOW).exit == 5
    with pytest.raises(TokenInvalid) as caught:
        open_token(text, keys, CERTIFICATE_TYPE)
    return caught.value.detail


def test_scripts_rely_on_these_exit_codes() -> None:
    assert [int(code) for code in Exit] == [0, 3, 4, 5]


def test_a_fresh_list_that_says_in_force_gives_0() -> None:
    standing = verdict(certificate(), status())
    assert standing.exit is Exit.IN_FORCE
    assert standing.sentence == ("Certificate c-0001 of board TARN0001A is in force by the status list of 2026-11-25 11:00 UTC.")


@pytest.mark.parametrize(
    ("listed", "why"),
    [
        (None, "no status list"),
        (status(age=timedelta(hours=24)), "too old; it said in-force"),
        (status("LAPSE-DEFECT", timedelta(days=3)), "too old; it said LAPSE-DEFECT"),
        (status(age=-timedelta(minutes=6)), "in the future"),
        (status(iat="today"), "no date"),
        (status(iat=True), "no date"),
        (status(iat=10**30), "no date"),
        (status(site="elsewhere"), "another site's"),
        (status(certificates={}), "does not name it"),
        (status(certificates=["c-0001"]), "does not name it"),
        (status(word=1), "does not name it"),
        ({}, "another site's"),
    ],
)
def test_what_leaves_the_status_open_gives_3(listed: dict[str, Any] | None, why: str) -> None:
    standing = verdict(certificate(), listed)
    assert standing.exit is Exit.STATUS_UNKNOWN
    assert why in standing.sentence


def test_the_list_is_good_for_a_day_less_a_second() -> None:
    """And a clock that is a few minutes behind does no harm."""
    assert verdict(certificate(), status(age=timedelta(hours=24) - timedelta(seconds=1))).exit == 0
    assert verdict(certificate(), status(age=-timedelta(minutes=5))).exit == 0


@pytest.mark.parametrize("word", ["LAPSE-WITHDRAWN", "LAPSE-REPAIR", "In-Force", "", "some-later-word"])
def test_every_other_word_gives_4(word: str) -> None:
    """A word that this release does not know is not taken for good news."""
    standing = verdict(certificate(), status(word))
    assert standing.exit is Exit.NOT_IN_FORCE
    assert word in standing.sentence


@pytest.mark.parametrize("listed", [None, status(), status("LAPSE-DEFECT")])
def test_past_its_end_a_certificate_gives_4_whatever_a_list_says(listed: dict[str, Any] | None) -> None:
    standing = verdict(certificate(exp=seconds(NOW)), listed)
    assert standing.exit == 4 and "expired" in standing.sentence


def test_in_its_last_second_a_certificate_is_in_force() -> None:
    assert verdict(certificate(exp=seconds(NOW) + 1), status()).exit == 0


def test_a_clock_before_the_issue_decides_nothing() -> None:
    """A computer without a battery starts in 1970, where no certificate has expired."""
    standing = verdict(certificate(iat=seconds(NOW + timedelta(days=1))), status())
    assert standing.exit == 3 and "clock" in standing.sentence


@pytest.mark.parametrize("mark", [True, "yes", 1, None])
def test_a_virtual_board_is_called_so_in_every_sentence(mark: Any) -> None:
    for listed in (None, status(), status("LAPSE-DEFECT"), status(age=timedelta(days=2))):
        assert "VIRTUAL board TARN0001A" in verdict(certificate(virtual=mark), listed).sentence
    assert "VIRTUAL" in verdict(certificate(virtual=mark, exp=0), None).sentence
    assert "VIRTUAL" not in verdict(certificate(virtual=False), None).sentence


@pytest.mark.parametrize("name", ["id", "serial", "iat", "exp"])
@pytest.mark.parametrize("value", [None, -1, 1.5, True, [], 10**30])
def test_a_certificate_without_what_must_be_read_gives_5(name: str, value: Any) -> None:
    claims = certificate(**{name: value})
    assert verdict(claims, status()).exit is Exit.SIGNATURE_BAD
    with pytest.raises(TokenInvalid):
        judge(claims, None, NOW)


def test_a_list_that_cannot_be_trusted_is_no_list() -> None:
    """Nobody lapses a certificate, or keeps it alive, with a list that another key signed."""
    stranger = SiteSigner(OKPKey.generate_key("Ed25519"))
    for word in ("in-force", "LAPSE-DEFECT"):
        forged = stranger.sign(STATUS_LIST_TYPE, status(word))
        standing = verify(token(certificate()), forged, SIGNER.jwks(), NOW)
        assert standing.exit == 3 and "cannot be trusted" in standing.sentence


def test_a_list_is_no_certificate_and_a_certificate_no_list() -> None:
    assert "not a benchworthy-certificate" in refused(token(status(), STATUS_LIST_TYPE))
    assert verify(token(certificate()), token(certificate()), SIGNER.jwks(), NOW).exit == 3


def test_claims_come_back_as_they_were_signed() -> None:
    """Also from a file that ends with a line end, and with letters beyond ASCII."""
    claims = certificate(site="Werkstätte")
    assert open_token(token(claims) + "\n", SIGNER.jwks(), CERTIFICATE_TYPE) == claims


def test_the_older_name_eddsa_is_read_but_never_written() -> None:
    """Without a warning: warnings are errors in these tests."""
    assert open_token(by_hand(header(alg="EdDSA")), SIGNER.jwks(), CERTIFICATE_TYPE) == {}
    written = json.loads(base64.urlsafe_b64decode(token({}).split(".")[0] + "=="))
    assert written == header()


@pytest.mark.parametrize("alg", ["none", "HS256", "HS512", "ES256", "Ed448", "RS256", "ed25519", ""])
def test_other_algorithms_are_refused(alg: str) -> None:
    assert "not admitted" in refused(by_hand(header(alg=alg)))


def test_alg_none_without_a_signature_is_refused() -> None:
    refused(by_hand(header(alg="none")).rsplit(".", 1)[0] + ".")


def test_the_public_key_is_no_shared_secret() -> None:
    x = str(KEY["x"])
    for secret in (x.encode(), base64.urlsafe_b64decode(x + "="), json.dumps(SIGNER.jwks()).encode()):
        refused(jws.serialize_compact(header(alg="HS256"), b"{}", OctKey.import_key(secret), ["HS256"]))


@pytest.mark.parametrize(
    "members",
    [
        header(crit=["exp"], exp=1),
        header(crit=["b64"], b64=False),
        header(crit=5),
        header(jwk=SIGNER.jwks()["keys"][0]),
        header(jku="https://example.org/jwks.json"),
        header(kid=None),
        header(kid=f"b.{SIGNER.thumbprint}"),
        header(kid="f.TARN0001A.1"),
        header(typ="JWT"),
        header(alg=["Ed25519"]),
        {"alg": "Ed25519"},
        ["alg", "kid", "typ"],
        "alg",
        None,
    ],
)
def test_other_headers_are_refused(members: Any) -> None:
    """All of them well signed by the right key."""
    refused(by_hand(members))


@pytest.mark.parametrize("payload", [b"", b"[]", b"7", b"null", b"no json", b"\xff", b"[" * 100_000])
def test_a_payload_that_is_no_object_is_refused(payload: bytes) -> None:
    refused(by_hand(header(), payload))


def test_every_changed_character_and_every_truncation_is_noticed() -> None:
    text = token(certificate())
    for at, letter in enumerate(text):
        assert verify(text[:at] + ("B" if letter == "A" else "A") + text[at + 1 :], None, SIGNER.jwks(), NOW).exit == 5
        assert verify(text[:at], None, SIGNER.jwks(), NOW).exit == 5
    for wrong in (
        text + ".",
        text + "A",
        text + "=",
        "é" + text,
        text + "\ud800",
        text.replace(".", "..", 1),
    ):
        refused(wrong)


def test_a_key_is_found_by_its_computed_thumbprint() -> None:
    """A set may hold keys of other kinds; a stranger's key does not become ours by saying so."""
    stranger = OKPKey.generate_key("Ed25519").as_dict(private=False, kid=SIGNER.thumbprint)
    others: list[Any] = [{"kty": "RSA"}, None, {"kty": "OKP", "crv": "Ed25519", "x": "AA"}, stranger]
    text = token(certificate())
    assert open_token(text, {"keys": [*others, *SIGNER.jwks()["keys"]]}, CERTIFICATE_TYPE) == certificate()
    useless: list[dict[str, Any]] = [{"keys": others}, {"keys": []}, {"keys": "x"}, {}]
    for keys in useless:
        assert "do not hold the key" in refused(text, keys)


def test_a_stranger_who_names_our_key_is_refused() -> None:
    stranger = OKPKey.generate_key("Ed25519")
    forged = jws.serialize_compact(header(), b"{}", stranger, ["Ed25519"])
    assert "does not hold" in refused(forged)


def test_the_published_set_holds_no_private_key(tmp_path: Path) -> None:
    (key,) = SiteSigner.load_or_create(tmp_path / "site.jwk").jwks()["keys"]
    assert set(key) == {"kty", "crv", "x", "kid", "use", "alg"}
    assert (key["use"], key["alg"], key["crv"]) == ("sig", "Ed25519", "Ed25519")


def test_a_large_sites_status_list_is_read() -> None:
    """20,000 certificates make a list of about 700 kB."""
    listed = status(certificates={f"c-{n:05}": "in-force" for n in range(20_000)})
    opened = open_token(token(listed, STATUS_LIST_TYPE), SIGNER.jwks(), STATUS_LIST_TYPE)
    assert len(opened["certificates"]) == 20_000


@pytest.mark.parametrize("number", [float("nan"), float("inf")])
def test_what_is_no_json_number_is_not_signed(number: float) -> None:
    with pytest.raises(ValueError, match="JSON"):
        token(certificate(rule=number))
