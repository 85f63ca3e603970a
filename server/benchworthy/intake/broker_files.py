"""Writes the files of a mosquitto that serves one site: configuration, passwords and access list.

No tool of mosquitto's is needed: its `$7$` password form is PBKDF2-HMAC-SHA512, which hashlib computes.
"""

import base64
import hashlib
import os
import re
from collections.abc import Callable, Mapping
from pathlib import Path

from benchworthy.errors import SettingsInvalid

CONFIGURATION = "mosquitto.conf"
PASSWORDS = "passwords"
ACCESS = "access"

_LEVEL = re.compile(r"[A-Za-z0-9_-]{1,64}")
_SALT_BYTES = 12
_HASH_BYTES = 64
_ROUNDS = 1000  # about a millisecond per connection; passwords are long and random here

_CONFIGURATION = """\
# Written by benchworthy; changes are lost when it is written again.
listener {port} 127.0.0.1
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
    """Write the three files, mode 0600, each replaced as a whole, and give the configuration's path.

    `boards` maps user name (the serial number) to password, `listener` is the consumer's user name and
    password, `salt` gives that many random bytes. `run_as` is the account that a broker started by root
    changes to; it must own the files. Raises SettingsInvalid for a name that would break a line or is more
    than one topic level.
    """
    place = directory.absolute()
    _check(place, port, (site, listener[0], *boards, *([run_as] if run_as else [])))
    _check_passwords(boards, listener)
    place.mkdir(mode=0o700, parents=True, exist_ok=True)
    users = {**boards, listener[0]: listener[1]}
    lines = [f"{user}:{hashed(password, salt(_SALT_BYTES))}\n" for user, password in users.items()]
    _replace(place / PASSWORDS, "".join(lines))
    _replace(place / ACCESS, _ACCESS.format(site=site, listener=listener[0]))
    configuration = _CONFIGURATION.format(port=port, directory=place)
    if run_as:
        configuration += f"\nuser {run_as}\n"
    _replace(place / CONFIGURATION, configuration)
    return place / CONFIGURATION


def hashed(password: str, salt: bytes) -> str:
    """A password as mosquitto keeps it: `$7$rounds$salt$hash`, the last two in base64."""
    derived = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, _ROUNDS, _HASH_BYTES)
    return f"$7${_ROUNDS}${base64.b64encode(salt).decode()}${base64.b64encode(derived).decode()}"


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
