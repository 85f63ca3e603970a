"""A private authority and what it signs, for brokers that speak TLS."""

import ipaddress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Signed:
    """A certificate and the key that belongs to it."""

    certificate: x509.Certificate
    key: ec.EllipticCurvePrivateKey

    @property
    def der(self) -> bytes:
        return self.certificate.public_bytes(serialization.Encoding.DER)

    @property
    def pem(self) -> bytes:
        return self.certificate.public_bytes(serialization.Encoding.PEM)

    @property
    def key_pem(self) -> bytes:
        form = serialization.PrivateFormat.PKCS8
        return self.key.private_bytes(serialization.Encoding.PEM, form, serialization.NoEncryption())


def authority(name: str = "Trial authority") -> Signed:
    key = ec.generate_private_key(ec.SECP256R1())
    return Signed(_sign(name, key, name, key, None, (-DAY, 3650 * DAY)), key)


def signed_by(ca: Signed, host: str, valid: tuple[timedelta, timedelta] = (-DAY, 365 * DAY)) -> Signed:
    """A server's certificate for `host`, a name or an address; `valid` counts from now."""
    key = ec.generate_private_key(ec.SECP256R1())
    issuer = ca.certificate.subject.get_attributes_for_oid(NameOID.COMMON_NAME)[0].value
    return Signed(_sign(host, key, str(issuer), ca.key, host, valid), key)


def _sign(
    subject: str,
    key: ec.EllipticCurvePrivateKey,
    issuer: str,
    by: ec.EllipticCurvePrivateKey,
    host: str | None,
    valid: tuple[timedelta, timedelta],
) -> x509.Certificate:
    now = datetime.now(UTC)
    builder = (
        x509.CertificateBuilder()
        .subject_name(_name(subject))
        .issuer_name(_name(issuer))
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now + valid[0])
        .not_valid_after(now + valid[1])
        .add_extension(x509.BasicConstraints(ca=host is None, path_length=None), critical=True)
    )
    if host is not None:
        builder = builder.add_extension(x509.SubjectAlternativeName([_general(host)]), critical=False)
    return builder.sign(by, hashes.SHA256())


def _name(text: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text)])


def _general(host: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(host))
    except ValueError:
        return x509.DNSName(host)
