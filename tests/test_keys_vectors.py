"""Published check values: the primitives under our keys do what their standards say."""

import base64
import json
from typing import Any

import pytest
from joserfc import jws
from joserfc.errors import UnsupportedAlgorithmError
from joserfc.jwk import OKPKey

from benchworthy.errors import RequestInvalid
from benchworthy.keys.bench_key import BenchKey, read_public_jwk
from benchworthy.keys.derive import hkdf
from benchworthy.keys.signer import SiteSigner, sign_compact
from benchworthy.keys.verifier import BENCH_RULES, SITE_ALGORITHMS, StrictRegistry, code

# RFC 8037 appendix A.1 to A.4; recomputed with cryptography 50.0.2 and joserfc 1.8.0.
RFC8037_JWK = {
    "kty": "OKP",
    "crv": "Ed25519",
    "d": "nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A",
    "x": "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo",
}
RFC8037_THUMBPRINT = "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k"
RFC8037_PAYLOAD = b"Example of Ed25519 signing"
RFC8037_JWS = (
    "eyJhbGciOiJFZERTQSJ9.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc."
    "hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg"
)

# RFC 8032 section 7.1, TEST 1 and TEST 2: secret, public, message, signature. From memory; recomputed with
# cryptography 50.0.2.
RFC8032 = [
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46b"
        "d25bf5f0595bbe24655141438e7a100b",
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c"
        "387b2eaeb4302aeeb00d291612bb0c00",
    ),
]

# RFC 4231 sections 4.2 and 4.3, HMAC-SHA-256: key, data, code. From memory; recomputed with hmac.
RFC4231 = [
    ("0b" * 20, "4869205468657265", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
    (
        "4a656665",
        "7768617420646f2079612077616e7420666f72206e6f7468696e673f",
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
    ),
]

# RFC 5869 appendix A.1 to A.3: key material, salt, info, length, output. Outputs from memory, written down
# before they were compared with what cryptography 50.0.2 gives.
RFC5869 = [
    (
        b"\x0b" * 22,
        bytes(range(13)),
        bytes(range(0xF0, 0xFA)),
        42,
        "3cb25f25faacd57a90434f64d0362f2a2d2d0a90cf1a5a4c5db02d56ecc4c5bf34007208d5b887185865",
    ),
    (
        bytes(range(0x50)),
        bytes(range(0x60, 0xB0)),
        bytes(range(0xB0, 0x100)),
        82,
        "b11e398dc80327a1c8e7f78c596a49344f012eda2d4efad8a050cc4c19afa97c59045a99cac7827271cb41c65e590e09"
        "da3275600c2f09b8367793a9aca3db71cc30c58179ec3e87c14c01d5c1f3434f1d87",
    ),
    (
        b"\x0b" * 22,
        b"",
        b"",
        42,
        "8da4e775a563c18f715f802a063c5a31b8a11f5c5ee1879ec3454e5f3c738d2d9d201395faa4b61a96c8",
    ),
]


@pytest.mark.parametrize(("material", "salt", "info", "length", "output"), RFC5869)
def test_hkdf_gives_the_published_output(material: bytes, salt: bytes, info: bytes, length: int, output: str) -> None:
    """RFC 5869, test cases 1 to 3."""
    assert hkdf(material, info, salt, length).hex() == output


@pytest.mark.parametrize(("key", "data", "expected"), RFC4231)
def test_receipt_code_is_hmac_sha256(key: str, data: str, expected: str) -> None:
    """RFC 4231, test cases 1 and 2, through the function that makes receipt codes."""
    assert code(bytes.fromhex(key), bytes.fromhex(data)) == expected


def test_thumbprint_is_the_published_one() -> None:
    """RFC 8037 A.3, for the public half alone, the site's signer and a bench's key."""
    key = OKPKey.import_key(dict(RFC8037_JWK))
    public = read_public_jwk({name: RFC8037_JWK[name] for name in ("kty", "crv", "x")})
    assert public.thumbprint() == RFC8037_THUMBPRINT
    assert SiteSigner(key).thumbprint == RFC8037_THUMBPRINT
    assert BenchKey(key).thumbprint == RFC8037_THUMBPRINT


def test_published_eddsa_token_is_accepted_without_a_warning() -> None:
    """RFC 8037 A.5 under the site's rules, where EdDSA counts as the older name of Ed25519."""
    public = read_public_jwk({name: RFC8037_JWK[name] for name in ("kty", "crv", "x")})
    opened = jws.deserialize_compact(RFC8037_JWS, public, registry=StrictRegistry(SITE_ALGORITHMS, 4096))
    assert opened.payload == RFC8037_PAYLOAD


def test_published_eddsa_token_is_refused_where_only_ed25519_counts() -> None:
    """A bench's token carries the fully specified name and no other."""
    public = read_public_jwk({name: RFC8037_JWK[name] for name in ("kty", "crv", "x")})
    with pytest.raises(UnsupportedAlgorithmError):
        jws.deserialize_compact(RFC8037_JWS, public, registry=BENCH_RULES)


def test_our_own_tokens_say_ed25519() -> None:
    """RFC 9864: the header names the curve, in a fixed order of members."""
    token = sign_compact(OKPKey.import_key(dict(RFC8037_JWK)), "some-type", "some-kid", RFC8037_PAYLOAD)
    head, payload, _ = token.split(".")
    assert decoded(head) == {"alg": "Ed25519", "kid": "some-kid", "typ": "some-type"}
    assert payload == RFC8037_JWS.split(".")[1]


@pytest.mark.parametrize(("secret", "public", "message", "signature"), RFC8032)
def test_ed25519_signs_as_published(secret: str, public: str, message: str, signature: str) -> None:
    """RFC 8032 7.1: the signature octets of the very key objects that our tokens are signed with."""
    key = OKPKey.import_key({"kty": "OKP", "crv": "Ed25519", "x": b64(public), "d": b64(secret)})
    private = key.private_key
    assert private is not None
    assert private.sign(bytes.fromhex(message)).hex() == signature  # type: ignore[union-attr]
    assert BenchKey(key).public_jwk["x"] == b64(public)


@pytest.mark.parametrize(
    "jwk",
    [
        None,
        [],
        {},
        {"kty": "EC", "crv": "P-256", "x": "AA", "y": "AA"},
        {"kty": "OKP", "crv": "X25519", "x": RFC8037_JWK["x"]},
        {"kty": "OKP", "crv": "Ed25519"},
        {"kty": "OKP", "crv": "Ed25519", "x": 7},
        {"kty": "OKP", "crv": "Ed25519", "x": "AAAA"},
        {"kty": "OKP", "crv": "Ed25519", "x": "not base64"},
        {"kty": "OKP", "crv": "Ed25519", "x": "\u00e9" * 43},
        RFC8037_JWK,
    ],
)
def test_only_a_public_ed25519_key_is_registered(jwk: Any) -> None:
    """The last row carries its private half, which must never be sent."""
    with pytest.raises(RequestInvalid):
        read_public_jwk(jwk)


def b64(text: str) -> str:
    """Hex to base64url without padding."""
    return base64.urlsafe_b64encode(bytes.fromhex(text)).rstrip(b"=").decode()


def decoded(part: str) -> Any:
    """A token's part as JSON."""
    return json.loads(base64.urlsafe_b64decode(part + "=" * (-len(part) % 4)))
