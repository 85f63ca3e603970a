"""`benchworthy bench install`: the agent onto a board, with the board's own key."""

import argparse
import time
from pathlib import Path
from typing import Any

from benchworthy.bench import installing, kinds, probe, probing
from benchworthy.bench.transport import BoardLink
from benchworthy.cli import service
from benchworthy.cli.bench_test import read_json
from benchworthy.errors import BoardAnother, BoardFaulted, FileUnreadable, InstallFailed, RequestInvalid
from benchworthy.intake import label

LEFT = 1
_BACK_S = 20.0


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("serial", help="serial number from the label")
    parser.add_argument("--port", required=True, help="the port that appeared when the board was plugged in")
    parser.add_argument("--clean", action="store_true", help="remove files that do not belong to the agent; default: name them")
    parser.add_argument("--new-module", action="store_true", help="the module carries another board's number: give it this one")
    parser.add_argument(
        "--network", type=Path, help='file with {"wifi": {"ssid", "password"} or null, ...} for a board that may keep it'
    )
    parser.add_argument("--restart", action="store_true", help="start the board anew afterwards, which empties its RAM")


def run(options: argparse.Namespace) -> int:
    """Exit 0 done, 1 done and files that do not belong were left."""
    serial = label.parse(options.serial)
    core = service.connect(options)
    release = installing.fetch_release(core)
    with BoardLink(options.port, recover=True) as link:
        there = _who(link)
        if there.serial not in ("", serial) and not options.new_module:
            raise BoardAnother(f"This module carries the number {there.serial}, not {serial}; --new-module gives it the new one.")
        service.say(f"Module {there.module} at {options.port}; agent {release.version} ({release.hash})")
        told = core.field_key(serial)
        state = {"serial": serial, "epoch": told["epoch"], "key": told["key"]}
        done = installing.install(link, release, state, _secrets(options, told), options.clean, service.say)
        if options.restart:
            installing.restart(link)
    left = [path for path in done.strangers if path not in done.removed]
    _tell(options, serial, done, left)
    if options.restart:
        _look_again(options.port)
    return LEFT if left else 0


def _who(link: probe.Link) -> probe.Identity:
    try:
        return probe.identity(link)
    except BoardFaulted as fault:
        small = kinds.identity(link)  # raises when it is no board at all
        raise InstallFailed(f"Module {small.module} is too small for the agent; the bench drives it without one.") from fault


def _secrets(options: argparse.Namespace, told: dict[str, Any]) -> dict[str, Any] | None:
    """What the board may keep of its network. Raises RequestInvalid where this site keeps none on boards."""
    if options.network is None:
        return None
    if told["mqtt"] is None:
        raise RequestInvalid("Boards of this site keep no passwords (BENCHWORTHY_FIELD_NETWORK, and a broker, would allow it).")
    given = read_json(options.network)
    if not set(given) <= {"wifi", "ntp"} or "wifi" not in given:
        raise FileUnreadable(f"{options.network} holds `wifi`, null or an object, and perhaps `ntp`; nothing else.")
    clock = {"ntp": given["ntp"]} if "ntp" in given else {}
    return {"wifi": given["wifi"], "mqtt": told["mqtt"], **clock}


def _tell(options: argparse.Namespace, serial: str, done: installing.Installed, left: list[str]) -> None:
    for path in done.removed:
        service.say(f"removed {path}")
    for path in left:
        service.say(f"left, and does not belong: {path} (--clean removes it)")
    passwords = "with the passwords of its network" if options.network else "no passwords on it"
    answer = {
        "serial": serial,
        "written": list(done.written),
        "kept": done.kept,
        "left": left,
        "removed": list(done.removed),
        "boot": done.boot,
    }
    service.show(
        options, answer, f"{serial}: {len(done.written)} files written, {done.kept} were right, all read back; {passwords}"
    )


def _look_again(port: str) -> None:
    deadline = time.monotonic() + _BACK_S
    while True:
        time.sleep(1.0)
        found = probing.look_apart(port)
        if found.board is not None or time.monotonic() >= deadline:
            break
    boot = f", start number {found.board.boot}" if found.board else ""
    service.say(f"After the restart: {found.told}{boot}")
