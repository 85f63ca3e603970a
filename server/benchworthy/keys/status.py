"""What a certificate is worth, decided offline from three texts: certificate, site's keys, status list.

Certificate claims: id, serial, module, design, judging, run, results, rule, iat, exp, site, ledger; virtual and one_person
only where true; waived, the tests let go or how many, only where there are any. Status list claims: site, iat, certificates
(id to "in-force" or a lapse code). iat and exp are seconds since 1970 (UTC).
"""

import base64
import binascii
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import IntEnum
from typing import Any, Final

from joserfc import jws
from joserfc.errors import JoseError
from joserfc.jwk import OKPKey

from benchworthy.errors import RequestInvalid, TokenInvalid
from benchworthy.keys.bench_key import read_public_jwk
from benchworthy.keys.verifier import SITE_ALGORITHMS, StrictRegistry
from benchworthy.reports.signed import CERTIFICATE_TYPE, IN_FORCE, STATUS_LIST_TYPE

FRESH_FOR: Final = timedelta(hours=24)
CLOCKS_DIFFER: Final = timedelta(minutes=5)
# A large site's status list: joserfc's own bound ends near 3,000 certificates.
_MOST_BYTES: Final = 16 * 1024 * 1024
_RULES: Final = StrictRegistry(SITE_ALGORITHMS, _MOST_BYTES)
_LAST_SECOND: Final = 253402300799  # the year 9999 ends; beyond it datetime has no text


class Exit(IntEnum):
    """Exit codes of `benchworthy verify`."""

    IN_FORCE = 0
    STATUS_UNKNOWN = 3
    NOT_IN_FORCE = 4
    SIGNATURE_BAD = 5


@dataclass(frozen=True, slots=True)
class Standing:
    """The answer: an exit code for scripts, a sentence for people."""

    exit: Exit
    sentence: str


def open_token(token: str, jwks: Mapping[str, Any], type_name: str) -> dict[str, Any]:
    """Return a token's claims once its signature holds under a key of `jwks`. Raises TokenInvalid.

    White space around the token is ignored, as files end with a line end.
    """
    raw = token.strip().encode("ascii", "replace")  # what is not ASCII becomes ?, which is no base64url
    header = _header(raw)
    if header["typ"] != type_name:
        raise TokenInvalid(f"The token is a {header['typ'][:40]!r}, not a {type_name}.")
    if header["alg"] not in SITE_ALGORITHMS:
        raise TokenInvalid(f"The algorithm {header['alg'][:40]!r} is not admitted, only Ed25519.")
    key = _find_key(jwks, header["kid"])
    try:
        return _claims(jws.deserialize_compact(raw, key, registry=_RULES).payload)
    except JoseError as fault:
        raise TokenInvalid(f"The signature does not hold ({fault.error}).") from fault


def verify(certificate: str, status_list: str | None, jwks: Mapping[str, Any], now: datetime) -> Standing:
    """Check both tokens and judge: a bad certificate is exit 5, a bad status list counts as none."""
    try:
        claims = open_token(certificate, jwks, CERTIFICATE_TYPE)
        status, remark = _open_status_list(status_list, jwks)
        standing = judge(claims, status, now)
    except TokenInvalid as fault:
        return Standing(Exit.SIGNATURE_BAD, f"The certificate cannot be trusted: {fault.detail}")
    return Standing(standing.exit, standing.sentence + remark)


def judge(certificate: Mapping[str, Any], status: Mapping[str, Any] | None, now: datetime) -> Standing:
    """Weigh the claims of a certificate whose signature is good; `now` is aware. Raises TokenInvalid.

    Every sentence calls a virtual board virtual.
    """
    name = _name(certificate)
    issued, ends = _moment(certificate, "iat"), _moment(certificate, "exp")
    if issued is None or ends is None:
        raise TokenInvalid("The certificate lacks its iat or exp.")
    if now >= ends:
        return Standing(Exit.NOT_IN_FORCE, f"{name} expired at {_text(ends)}.")
    if now < issued - CLOCKS_DIFFER:
        why = f"it was issued at {_text(issued)}, later than this computer's clock says"
        return Standing(Exit.STATUS_UNKNOWN, f"{name} is signed, but its status is unknown: {why}.")
    code, sentence = _read_status(certificate, status, now)
    return Standing(code, f"{name} {sentence}.{_less(certificate)}")


def _less(certificate: Mapping[str, Any]) -> str:
    """What the certificate says of itself that makes it less than another."""
    waived, tests = certificate.get("waived"), ""
    if isinstance(waived, list):
        tests = ", ".join(str(test)[:40] for test in waived[:20])
    elif isinstance(waived, int):
        tests = f"{waived} tests"
    let_go = f" Let go by a waiver: {tests}." if tests else ""
    alone = certificate.get("one_person", False) is not False
    return let_go + (" One person did what two do elsewhere." if alone else "")


def _read_status(certificate: Mapping[str, Any], status: Mapping[str, Any] | None, now: datetime) -> tuple[Exit, str]:
    signed = "is signed, but its status is unknown:"
    if status is None:
        return Exit.STATUS_UNKNOWN, f"{signed} there is no status list to go by"
    if status.get("site") != certificate.get("site"):
        return Exit.STATUS_UNKNOWN, f"{signed} the status list is another site's"
    word = _word(certificate, status)
    if word is None:
        return Exit.STATUS_UNKNOWN, f"{signed} the status list does not name it"
    dated = _moment(status, "iat")
    if dated is None or dated > now + CLOCKS_DIFFER:
        return Exit.STATUS_UNKNOWN, f"{signed} the status list has no date, or one in the future"
    if now - dated >= FRESH_FOR:
        # A lapse can end ("until completed"), so an old list decides nothing, but its word is worth reading.
        return Exit.STATUS_UNKNOWN, f"{signed} the status list of {_text(dated)} is too old; it said {word}"
    if word != IN_FORCE:
        return Exit.NOT_IN_FORCE, f"is not in force: {word}, by the status list of {_text(dated)}"
    return Exit.IN_FORCE, f"is in force by the status list of {_text(dated)}"


def _word(certificate: Mapping[str, Any], status: Mapping[str, Any]) -> str | None:
    """What the list says of this certificate; a word unknown here counts as not in force."""
    listed = status.get("certificates")
    word = listed.get(certificate["id"]) if isinstance(listed, dict) else None
    return word[:40] if isinstance(word, str) else None


def _open_status_list(token: str | None, jwks: Mapping[str, Any]) -> tuple[dict[str, Any] | None, str]:
    """Claims of a status list, or None with a remark when it cannot be trusted."""
    if token is None:
        return None, ""
    try:
        return open_token(token, jwks, STATUS_LIST_TYPE), ""
    except TokenInvalid as fault:
        return None, f" The status list that was given cannot be trusted: {fault.detail}"


def _header(raw: bytes) -> dict[str, str]:
    """The protected header, still unproven: exactly alg, kid and typ, all texts."""
    part = raw.split(b".")[0]
    try:
        header = json.loads(base64.b64decode(part + b"=" * (-len(part) % 4), b"-_", validate=True))
    except (ValueError, binascii.Error, RecursionError) as fault:
        raise TokenInvalid("This is no JWS in compact form.") from fault
    if not isinstance(header, dict) or set(header) != {"alg", "kid", "typ"}:
        raise TokenInvalid("The header must hold alg, kid and typ and nothing else.")
    if not all(isinstance(value, str) for value in header.values()):
        raise TokenInvalid("alg, kid and typ must be texts.")
    return header


def _find_key(jwks: Mapping[str, Any], thumbprint: str) -> OKPKey:
    """The key whose computed thumbprint is asked for; the `kid` that a JWK gives itself is not believed."""
    listed = jwks.get("keys")
    for jwk in listed if isinstance(listed, list) else []:
        try:
            key = read_public_jwk(jwk)
        except RequestInvalid:
            continue  # RFC 7517 section 5: keys of other kinds in a set are passed over
        if key.thumbprint() == thumbprint:
            return key
    raise TokenInvalid("The site's keys do not hold the key that signed this.", kid=thumbprint[:64])


def _claims(payload: bytes) -> dict[str, Any]:
    try:
        claims = json.loads(payload)
    except (ValueError, RecursionError) as fault:
        raise TokenInvalid("The token's payload is not JSON.") from fault
    if not isinstance(claims, dict):
        raise TokenInvalid("The token's payload is no JSON object.")
    return claims


def _name(certificate: Mapping[str, Any]) -> str:
    identity, serial = certificate.get("id"), certificate.get("serial")
    if not isinstance(identity, str) or not isinstance(serial, str):
        raise TokenInvalid("The certificate lacks its id or serial.")
    # Anything but a plain false counts: nothing may make a virtual board look real.
    kind = "VIRTUAL board" if certificate.get("virtual", False) is not False else "board"
    return f"Certificate {identity} of {kind} {serial}"


def _moment(claims: Mapping[str, Any], name: str) -> datetime | None:
    seconds = claims.get(name)
    if isinstance(seconds, bool) or not isinstance(seconds, int) or not 0 <= seconds <= _LAST_SECOND:
        return None
    return datetime.fromtimestamp(seconds, UTC)


def _text(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%d %H:%M UTC")
