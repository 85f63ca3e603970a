"""`benchworthy bench test`: one board through a run."""

import argparse
import json
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from benchworthy.bench import choosing
from benchworthy.bench.offline import OfflineRuns
from benchworthy.bench.people import ConsoleOperator
from benchworthy.bench.reach import Reach
from benchworthy.bench.session import by_hand, run_board, run_by_hand
from benchworthy.bench.surviving import SurvivingRuns
from benchworthy.cli import service
from benchworthy.designs import catalogue
from benchworthy.designs.sheet import stage_set
from benchworthy.errors import FileUnreadable, ServiceUnreachable
from benchworthy.intake import label
from benchworthy.keys.bench_key import BenchKey

NOT_JUDGED: Final = 3


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
    parser.add_argument(
        "--offline", action="store_true", help="take a run ticket and ask no service; `bench deliver` sends later"
    )
    parser.add_argument("--design", help="the board's design, such as tarn-b; offline, where no ticket or record tells it")
    parser.add_argument("--holder", help="offline: code of who is at the bench; default: whoever delivers")
    service.key_argument(parser)
    service.folder_argument(parser)


def run(options: argparse.Namespace) -> int:
    """Exit 0 when every test that arrived is in limits, 3 when the run waits at the bench and is not judged yet, 1 otherwise."""
    key = BenchKey.load_or_create(options.key)
    serial = label.parse(options.serial)
    wifi = _wifi(options.wifi)
    core, board = _service(options, key, serial)
    try:
        done = _carried_out(options, key, serial, wifi, core, board)
    finally:
        core.end()
    if isinstance(core, OfflineRuns) or core.away:
        return _measured(options, done)
    service.show_run(options, done["state"])
    return 0 if done["state"]["verdict"] == "in limits" else 1


def _carried_out(
    options: argparse.Namespace,
    key: BenchKey,
    serial: str,
    wifi: dict[str, str] | None,
    core: OfflineRuns | SurvivingRuns,
    board: Mapping[str, Any],
) -> dict[str, Any]:
    """The run: by questions alone where the board has no module yet, else at the port where it is."""
    operator = ConsoleOperator()
    test_set = options.set if options.stage is None else stage_set(options.stage)
    fixtures, without = tuple(options.fixture), tuple(options.without)
    if options.stage is not None and board.get("design") and by_hand(catalogue.find(board["design"]), test_set):
        return run_by_hand(core, key, operator, serial, test_set, fixtures, without, service.say)
    port, arrival = options.port, None
    if port is None:
        port, arrival = choosing.port_of(options.module or board.get("module"), operator, service.say)
    return run_board(
        Reach(port),
        core,
        key,
        operator,
        serial,
        test_set,
        options.link,
        fixtures,
        without=without,
        wifi=wifi,
        arrival=arrival,
        say=service.say,
    )


def _service(options: argparse.Namespace, key: BenchKey, serial: str) -> tuple[OfflineRuns | SurvivingRuns, Mapping[str, Any]]:
    """What takes the run in, and the board on record. Raises ServiceUnreachable where there is no ticket either."""
    box = service.box(options, key)
    if not options.offline:
        core = service.connect(options)
        try:
            board = core.board(serial)
            return SurvivingRuns(core, box.spool, service.say), board
        except ServiceUnreachable as fault:
            if not box.waiting(datetime.now(UTC)):
                raise
            service.say(f"THE SERVICE CANNOT BE REACHED: {fault.detail}")
    service.say("OFFLINE: this run goes on a ticket. It is measured, not judged; `benchworthy bench deliver` hands it in.")
    offline = OfflineRuns(box, label.parse, lambda: datetime.now(UTC), service.say, options.design, options.holder)
    return offline, box.board(serial) or {"design": options.design}


def _measured(options: argparse.Namespace, done: dict[str, Any]) -> int:
    told = {name: done[name] for name in ("run", "serial", "module", "reports", "answers")}
    line = f"run {done['run']} of {done['serial']}: measured, not judged; what waits is sent by `benchworthy bench deliver`"
    service.show(options, told, line)
    return NOT_JUDGED


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
