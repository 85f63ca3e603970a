"""`benchworthy broker-files`."""

import argparse
import os
import pwd
import shutil
import sys
from collections.abc import Sequence
from pathlib import Path

from benchworthy import wiring
from benchworthy.errors import SettingsInvalid
from benchworthy.intake import broker_files
from benchworthy.intake.broker_address import parse_broker
from benchworthy.serve import broker_users
from benchworthy.settings import EMBEDDED, Settings


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = "Write password file, access list and configuration of a mosquitto for every board on record."
    parser.epilog = "Run it again after boards were enrolled; it changes what is not right and says how mosquitto reads it."
    parser.add_argument("directory", type=Path, help="where the files are to lie, such as /etc/mosquitto/benchworthy")
    parser.add_argument(
        "--listen", metavar="HOST:PORT", help="where mosquitto listens; default as BENCHWORTHY_MQTT, or 127.0.0.1:1883"
    )
    parser.add_argument(
        "--run-as", default="", metavar="ACCOUNT", help="account of a mosquitto started by root; it gets the files"
    )
    parser.add_argument("--url", action="store_true", help="print the value for BENCHWORTHY_MQTT, a secret, to stdout")


def run(options: argparse.Namespace) -> int:
    """Exit 0; the names of the files that changed go to stderr."""
    house = wiring.build(wiring.from_environment(), signing=False)
    listen = _listen(options.listen, house.settings)
    login = broker_users.listener_login(house.settings)
    users = broker_users.boards_and_trial(house)
    changed = broker_files.renew(options.directory, listen, house.settings.site, users, login, os.urandom, options.run_as)
    if options.run_as:
        _hand_over(options.directory, options.run_as)
    _say(options.directory, changed, len(users) - 1)
    if options.url:
        host = f"[{listen[0]}]" if ":" in listen[0] else listen[0]
        print(f"mqtt://{login[0]}:{login[1]}@{host}:{listen[1]}")
    return 0


def _listen(said: str | None, settings: Settings) -> tuple[str, int]:
    if said is not None:
        host, _, port = said.rpartition(":")
        if not host or not port.isdigit():
            raise SettingsInvalid(f"--listen is {said!r}; write host:port, such as 192.168.7.2:1883.")
        return host.strip("[]"), int(port)
    if settings.mqtt in (None, EMBEDDED):
        return "127.0.0.1", 1883
    broker = parse_broker(str(settings.mqtt))
    return broker.host, broker.port


def _hand_over(directory: Path, account: str) -> None:
    try:
        owner = pwd.getpwnam(account)
        for path in (directory, *(directory / name for name in broker_files.FILES)):
            os.chown(path, owner.pw_uid, owner.pw_gid)
    except KeyError as fault:
        raise SettingsInvalid(f"There is no account {account} on this machine.") from fault
    except OSError as fault:
        raise SettingsInvalid(f"The files cannot be given to {account} ({fault.strerror}); run this as root.") from fault


def _say(directory: Path, names: Sequence[str], boards: int) -> None:
    place = directory.absolute()
    if not names:
        print(f"{boards} boards; nothing changed in {place}.", file=sys.stderr)
        return
    print(f"{boards} boards; changed in {place}: {', '.join(names)}.", file=sys.stderr)
    if broker_files.CONFIGURATION in names:
        program = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin") or "mosquitto"
        print(f"Start mosquitto, or end and start it again: {program} -c {place / broker_files.CONFIGURATION}", file=sys.stderr)
    else:
        print("Have mosquitto read them: kill -HUP $(pidof mosquitto)", file=sys.stderr)
