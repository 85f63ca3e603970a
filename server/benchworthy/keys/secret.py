"""Files that hold a secret: made once and never half, mode 0600, refused when others may read them.

Several processes of a site start at the same moment and all want the same secret. So a new file is written
in full under another name and then linked to its own: linking fails when the name is taken, and nobody ever
reads an unfinished file.
"""

import json
import os
import stat
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from joserfc.errors import JoseError
from joserfc.jwk import OKPKey

from benchworthy.errors import SettingsInvalid

LEAST_BYTES = 32
MOST_BYTES = 1024
_OTHERS = stat.S_IRWXG | stat.S_IRWXO


@dataclass(frozen=True, slots=True)
class SiteSecret:
    """The root of every symmetric key of a site. Its octets are kept out of repr, so out of logs."""

    octets: bytes = field(repr=False)

    def __post_init__(self) -> None:
        if len(self.octets) < LEAST_BYTES:
            raise SettingsInvalid(f"A site secret has at least {LEAST_BYTES} bytes, not {len(self.octets)}.")

    @classmethod
    def load(cls, path: Path) -> "SiteSecret":
        """Read the secret. Raises SettingsInvalid when it is absent, too short, or readable by others."""
        return cls(read(path, LEAST_BYTES))

    @classmethod
    def load_or_create(cls, path: Path) -> "SiteSecret":
        """Read the secret, or draw 32 random bytes and keep them. Raises SettingsInvalid.

        A new secret in place of a lost one makes every board's field key worthless: restore the file together
        with the database.
        """
        return cls(read_or_create(path, LEAST_BYTES, lambda: os.urandom(LEAST_BYTES)))


def load_signing_key(path: Path) -> OKPKey:
    """Read an Ed25519 private key, a JWK (RFC 8037) as text. Raises SettingsInvalid."""
    return _signing_key(path, read(path, 1))


def load_or_create_signing_key(path: Path) -> OKPKey:
    """Read an Ed25519 private key (JWK text), or make one. Raises SettingsInvalid."""
    return _signing_key(path, read_or_create(path, 1, _new_jwk))


def renew_signing_key(path: Path) -> tuple[str, str]:
    """Put a new key in the place of the one in the file, and keep the public half of that beside it. Raises SettingsInvalid.

    Returns the thumbprints of the old key and the new one. The old private half is in no file afterwards; on flash and in
    copies made before, its octets may last. What is cut short leaves the old key, or the new one.
    """
    old = load_signing_key(path)
    public = {name: str(old[name]) for name in ("kty", "crv", "x")}
    former = _former(path, old.thumbprint())
    if not former.exists():
        _create(former, (json.dumps(public) + "\n").encode())
    octets = _new_jwk()
    draft = path.with_name(f".{path.name}.{os.getpid()}.{os.urandom(8).hex()}")
    try:
        _write_draft(draft, octets)
        draft.replace(path)
        _sync_directory(path.parent)
    except OSError as fault:
        draft.unlink(missing_ok=True)
        raise SettingsInvalid(f"The key file {path} cannot be renewed: {fault.strerror}.") from fault
    return old.thumbprint(), _signing_key(path, octets).thumbprint()


def former_keys(path: Path) -> tuple[OKPKey, ...]:
    """The public halves of the keys that came before the one in this file. Raises SettingsInvalid."""
    return tuple(_former_key(file) for file in sorted(path.parent.glob(f"{path.stem}-*{path.suffix}")))


def forget_former_key(path: Path, thumbprint: str) -> None:
    """A former key is published no more. Raises SettingsInvalid."""
    try:
        _former(path, thumbprint).unlink(missing_ok=True)
        _sync_directory(path.parent)
    except OSError as fault:
        raise SettingsInvalid(f"The file of the former key {thumbprint} cannot be removed: {fault.strerror}.") from fault


def _former(path: Path, thumbprint: str) -> Path:
    return path.with_name(f"{path.stem}-{thumbprint}{path.suffix}")


def _former_key(file: Path) -> OKPKey:
    """Whoever slips a key in here makes the site confirm what it never signed: its mode is looked at as a secret's is."""
    try:
        jwk = json.loads(read(file, 1))
        if not isinstance(jwk, dict) or set(jwk) != {"kty", "crv", "x"}:
            raise SettingsInvalid(f"{file} must hold kty, crv and x of a public key and nothing else.")
        key = OKPKey.import_key(jwk)
    except (ValueError, JoseError, RecursionError) as fault:
        raise SettingsInvalid(f"{file} is no JWK ({type(fault).__name__}).") from None
    if not file.stem.endswith(f"-{key.thumbprint()}"):
        raise SettingsInvalid(f"{file} holds another key than its name says.")
    return key


def read(path: Path, least: int) -> bytes:
    """The octets of a secret file, `least` to 1024 of them. Raises SettingsInvalid."""
    try:
        # Without O_NONBLOCK a named pipe in the file's place would hold up the start for ever.
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        with os.fdopen(descriptor, "rb") as file:
            mode = os.fstat(descriptor).st_mode
            _check_mode(path, mode)
            octets = file.read(MOST_BYTES + 1)
    except OSError as fault:
        raise SettingsInvalid(f"The secret file {path} cannot be read: {fault.strerror}.") from fault
    if not least <= len(octets) <= MOST_BYTES:
        raise SettingsInvalid(f"The secret file {path} must hold {least} to {MOST_BYTES} bytes.")
    return octets


def read_or_create(path: Path, least: int, make: Callable[[], bytes]) -> bytes:
    """Read a secret file; when there is none, create it with what `make` returns. Raises SettingsInvalid."""
    if not path.exists():
        _create(path, make())
    return read(path, least)


def _check_mode(path: Path, mode: int) -> None:
    if not stat.S_ISREG(mode):
        raise SettingsInvalid(f"The secret file {path} is no regular file.")
    if mode & _OTHERS:
        raise SettingsInvalid(f"Others may use the secret file {path}: run chmod 600 on it, or renew it.")


def _create(path: Path, octets: bytes) -> None:
    """Put a finished file under its name, unless another process was faster; then that one's file stands."""
    draft = path.with_name(f".{path.name}.{os.getpid()}.{os.urandom(8).hex()}")
    try:
        _write_draft(draft, octets)
        try:
            os.link(draft, path)
        except FileExistsError:
            pass
        finally:
            draft.unlink()
        _sync_directory(path.parent)
    except OSError as fault:
        raise SettingsInvalid(f"The secret file {path} cannot be created: {fault.strerror}.") from fault


def _write_draft(draft: Path, octets: bytes) -> None:
    descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    try:
        with os.fdopen(descriptor, "wb") as file:
            os.fchmod(descriptor, 0o600)  # an odd umask may have taken the owner's own rights
            file.write(octets)
            file.flush()
            os.fsync(descriptor)
    except OSError:
        draft.unlink()
        raise


def _sync_directory(directory: Path) -> None:
    """Keys are handed out at once: after a power cut the name must still be there."""
    descriptor = os.open(directory, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _new_jwk() -> bytes:
    key = OKPKey.generate_key("Ed25519")
    while key.thumbprint().startswith("-"):  # a command line would take it for an option
        key = OKPKey.generate_key("Ed25519")
    return (json.dumps(key.as_dict(private=True)) + "\n").encode()


def _signing_key(path: Path, octets: bytes) -> OKPKey:
    """A key whose public half is computed from its private half: a file that mixes two keys is refused."""
    try:
        jwk = json.loads(octets)
        if not isinstance(jwk, dict) or (jwk.get("kty"), jwk.get("crv")) != ("OKP", "Ed25519"):
            raise SettingsInvalid(f"The key file {path} holds no Ed25519 key in JWK form.")
        private = OKPKey.import_key(jwk).private_key
    except (ValueError, JoseError, RecursionError) as fault:
        # `from None`: the parser's own message may quote the private key.
        raise SettingsInvalid(f"The key file {path} is no JWK ({type(fault).__name__}).") from None
    if private is None:
        raise SettingsInvalid(f"The key file {path} holds only the public half of a key.")
    key = OKPKey.import_key(private)
    if key["x"] != jwk["x"]:
        raise SettingsInvalid(f"In the key file {path} the public half belongs to another private half.")
    return key
