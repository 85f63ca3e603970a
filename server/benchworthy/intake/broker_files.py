"""Writes the files of a mosquitto that serves one site: configuration, passwords and access list.

No tool of mosquitto's is needed: its `$7$` password form is PBKDF2-HMAC-SHA512, which hashlib computes.
"""

import base64
import hashlib
import hmac
import os
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path

from benchworthy.errors import SettingsInvalid

CONFIGURATION = "mosquitto.conf"
PASSWORDS = "passwords"
ACCESS = "access"
FILES = (CONFIGURATION, PASSWORDS, ACCESS)

_LEVEL = re.compile(r"[A-Za-z0-9_-]{1,64}")
_SALT_BYTES = 12
_HASH_BYTES = 64
_FORM = re.compile(r"\$7\$1000\$([A-Za-z0-9+/]{16})\$[A-Za-z0-9+/=]{88}")  # of _ROUNDS and _SALT_BYTES
_ROUNDS = 1000  # about a millisecond per connection; passwords are long and random here

_CONFIGURATION = """\
# Written by benchworthy; changes are lost when it is written again.
listener {port} {host}
allow_anonymous false
password_file {directory}/passwords
acl_file {directory}/access

# Sessions and retained messages survive a restart. What a power cut loses, boards send again: they have
# no receipt yet.
persistence true
persistence_location {directory}/
autosave_interval 10

# The defaults drop the newest messages of a long outage without a word.
max_queued_messages 100000
max_queued_bytes 268435456
max_inflight_messages 1000
max_packet_size 8192
set_tcp_nodelay true

log_dest stderr
log_type error
log_type warning
log_type notice
log_type information
"""

_ACCESS = """\
# A board's user name is its serial number (%u); it reaches its own topics and nobody else's.
pattern write benchworthy/v1/{site}/%u/report
pattern write benchworthy/v1/{site}/%u/state
pattern read benchworthy/v1/{site}/%u/receipt
pattern read benchworthy/v1/{site}/%u/request

# The one consumer of this site. The broker's own figures tell it of messages dropped.
user {listener}
topic read benchworthy/v1/{site}/+/report
topic read benchworthy/v1/{site}/+/state
topic write benchworthy/v1/{site}/+/receipt
topic write benchworthy/v1/{site}/+/request
topic read $SYS/broker/#
"""


def write(
    directory: Path,
    port: int,
    site: str,
    boards: Mapping[str, str],
    listener: tuple[str, str],
    salt: Callable[[int], bytes],
    run_as: str = "",
) -> Path:
    """Write the three files anew, with new salts, mode 0600, each replaced as a whole, and give the configuration's path.

    `boards` maps user name (the serial number) to password, `listener` is the consumer's user name and
    password, `salt` gives that many random bytes. `run_as` is the account that a broker started by root
    changes to; it must own the files. Raises SettingsInvalid for a name that would break a line or is more
    than one topic level.
    """
    place = directory.absolute()
    _check_all(place, port, site, boards, listener, run_as)
    for name, text in _texts(
        place, ("127.0.0.1", port), site, {**boards, listener[0]: listener[1]}, listener[0], run_as, salt, {}
    ):
        _replace(place / name, text)
    return place / CONFIGURATION


def renew(
    directory: Path,
    listen: tuple[str, int],
    site: str,
    boards: Mapping[str, str],
    listener: tuple[str, str],
    salt: Callable[[int], bytes],
    run_as: str = "",
) -> Sequence[str]:
    """Bring the files to the present boards and give the names of those that changed; what is right already stays.

    A password keeps its line while the line is right, so that a file changes only where a user does. Mode 0600 is set again
    in any case. Raises SettingsInvalid as `write` does, also for a directory or an address that cannot be used.
    """
    place = directory.absolute()
    _check_all(place, listen[1], site, boards, listener, run_as)
    if re.fullmatch(r"[A-Za-z0-9.:-]{1,253}", listen[0]) is None:
        raise SettingsInvalid(f"{listen[0]!r} is no address to listen at.")
    try:
        known = _lines(place / PASSWORDS)
        users = {**boards, listener[0]: listener[1]}
        changed = []
        for name, text in _texts(place, listen, site, users, listener[0], run_as, salt, known):
            if not _holds(place / name, text):
                _replace(place / name, text)
                changed.append(name)
    except (OSError, UnicodeDecodeError) as fault:
        raise SettingsInvalid(f"The broker's files in {place} cannot be read or written: {fault}.") from fault
    return changed


def _texts(
    place: Path,
    listen: tuple[str, int],
    site: str,
    users: Mapping[str, str],
    listener: str,
    run_as: str,
    salt: Callable[[int], bytes],
    known: Mapping[str, str],
) -> Iterator[tuple[str, str]]:
    """Names and texts of the three files, the configuration last. Makes the directory."""
    place.mkdir(mode=0o700, parents=True, exist_ok=True)
    lines = [f"{user}:{_kept(known.get(user, ''), password, salt)}\n" for user, password in users.items()]
    yield PASSWORDS, "".join(lines)
    yield ACCESS, _ACCESS.format(site=site, listener=listener)
    configuration = _CONFIGURATION.format(host=listen[0], port=listen[1], directory=place)
    yield CONFIGURATION, configuration + (f"\nuser {run_as}\n" if run_as else "")


def _lines(path: Path) -> Mapping[str, str]:
    if not path.exists():
        return {}
    return {user: form for user, _, form in (line.partition(":") for line in path.read_text().splitlines())}


def _kept(form: str, password: str, salt: Callable[[int], bytes]) -> str:
    """The present form if it is of this password, else a new one."""
    found = _FORM.fullmatch(form)
    if found is not None and hmac.compare_digest(form, hashed(password, base64.b64decode(found[1]))):
        return form
    return hashed(password, salt(_SALT_BYTES))


def _holds(path: Path, text: str) -> bool:
    """Whether the file is right already; its mode is set to 0600 in passing."""
    if not path.is_file() or path.read_text() != text:
        return False
    path.chmod(0o600)
    return True


def hashed(password: str, salt: bytes) -> str:
    """A password as mosquitto keeps it: `$7$rounds$salt$hash`, the last two in base64."""
    derived = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, _ROUNDS, _HASH_BYTES)
    return f"$7${_ROUNDS}${base64.b64encode(salt).decode()}${base64.b64encode(derived).decode()}"


def _check_all(place: Path, port: int, site: str, boards: Mapping[str, str], listener: tuple[str, str], run_as: str) -> None:
    _check(place, port, (site, listener[0], *boards, *([run_as] if run_as else [])))
    _check_passwords(boards, listener)


def _check(place: Path, port: int, names: tuple[str, ...]) -> None:
    if not 1 <= port <= 65535:
        raise SettingsInvalid(f"{port} is no TCP port.", port=port)
    if not str(place).isprintable():
        raise SettingsInvalid("The directory's name holds a control character.")
    for name in names:
        if _LEVEL.fullmatch(name) is None:
            raise SettingsInvalid(f"{name!r} must be 1 to 64 letters, digits, - or _.", name=name)


def _check_passwords(boards: Mapping[str, str], listener: tuple[str, str]) -> None:
    if listener[0] in boards:
        raise SettingsInvalid(f"The listener and a board are both called {listener[0]}.", name=listener[0])
    for user, password in (*boards.items(), listener):
        if not password:
            raise SettingsInvalid(f"The password of {user} is empty.", name=user)


def _replace(path: Path, text: str) -> None:
    """Write beside and rename, so that a broker reading at this moment sees the old file or the new one."""
    beside = path.with_name(path.name + ".new")
    beside.unlink(missing_ok=True)
    descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)
