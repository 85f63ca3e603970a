"""`benchworthy bench test`: one board through a run."""

import argparse
import json
from pathlib import Path
from typing import Any

from benchworthy.bench import choosing
from benchworthy.bench.people import ConsoleOperator
from benchworthy.bench.reach import Reach
from benchworthy.bench.session import by_hand, run_board, run_by_hand
from benchworthy.cli import service
from benchworthy.designs import catalogue
from benchworthy.designs.sheet import stage_set
from benchworthy.errors import FileUnreadable
from benchworthy.intake import label
from benchworthy.keys.bench_key import BenchKey


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("serial", help="serial number from the label")
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--port", help="port of the board; default: the one that appears when you plug it in")
    where.add_argument("--module", help="id of the module, in hex, wherever it is plugged in")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--set", default="full", help="test set: quick, plug, renewal or full; default full")
    what.add_argument("--stage", type=int, metavar="N", help="a board in build: the tests of this stage, never for a certificate")
    parser.add_argument("--link", choices=("mqtt", "serial"), default="serial", help="how the board's reports travel")
    parser.add_argument("--fixture", action="append", default=[], help="kind:serial, such as TP-4:TP4-0007; once for each")
    parser.add_argument(
        "--without",
        action="append",
        default=[],
        metavar="WHAT",
        help="what is not there, such as jack or usb; its tests are not run",
    )
    parser.add_argument("--wifi", type=Path, help='file with {"ssid": ..., "password": ...}, for the board\'s RAM')
    service.key_argument(parser)


def run(options: argparse.Namespace) -> int:
    """Exit 0 when every test that arrived is in limits, 1 otherwise."""
    key = BenchKey.load_or_create(options.key)
    serial = label.parse(options.serial)
    wifi = _wifi(options.wifi)
    core = service.connect(options)
    operator = ConsoleOperator()
    test_set = options.set if options.stage is None else stage_set(options.stage)
    if options.stage is not None and by_hand(catalogue.find(core.board(serial)["design"]), test_set):
        fixtures, without = tuple(options.fixture), tuple(options.without)
        done = run_by_hand(core, key, operator, serial, test_set, fixtures, without, service.say)
        return _told(options, done)
    port, arrival = options.port, None
    if port is None:
        module = options.module or core.board(serial).get("module")
        port, arrival = choosing.port_of(module, operator, service.say)
    done = run_board(
        Reach(port),
        core,
        key,
        operator,
        serial,
        test_set,
        options.link,
        tuple(options.fixture),
        without=tuple(options.without),
        wifi=wifi,
        arrival=arrival,
        say=service.say,
    )
    return _told(options, done)


def _told(options: argparse.Namespace, done: dict[str, Any]) -> int:
    service.show_run(options, done["state"])
    return 0 if done["state"]["verdict"] == "in limits" else 1


def _wifi(path: Path | None) -> dict[str, str] | None:
    """Network name and password; neither is ever printed. Raises FileUnreadable."""
    if path is None:
        return None
    found = read_json(path)
    if set(found) != {"ssid", "password"} or not all(isinstance(value, str) for value in found.values()):
        raise FileUnreadable(f'{path} must hold {{"ssid": ..., "password": ...}} and nothing else.')
    return found


def read_json(path: Path) -> dict[str, Any]:
    """A JSON object from a file; what is in it is not repeated when it is broken. Raises FileUnreadable."""
    try:
        found = json.loads(path.read_text())
    except (OSError, ValueError) as fault:
        raise FileUnreadable(f"{path} cannot be read as JSON ({type(fault).__name__}).") from None
    if not isinstance(found, dict):
        raise FileUnreadable(f"{path} holds no JSON object.")
    return found
