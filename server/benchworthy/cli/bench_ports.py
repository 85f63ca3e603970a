"""`benchworthy bench ports`: what is at each serial port."""

import argparse
import dataclasses
import json

from benchworthy.bench import choosing, portlist, probing
from benchworthy.bench.client import ServiceSaid
from benchworthy.bench.people import ConsoleOperator
from benchworthy.bench.portlist import PortEntry
from benchworthy.bench.probing import Found
from benchworthy.cli import service
from benchworthy.errors import ServiceUnreachable


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--port", action="append", default=[], help="look at this port only; may be given again")
    parser.add_argument("--watch", action="store_true", help="wait for the port that appears when you plug a board in")
    parser.epilog = (
        "Looking sends Ctrl-C and asks who is there, and resets nothing; a device that is no board may take it amiss: name "
        "ports where such devices are plugged in. Folder of stand-in boards: BENCHWORTHY_PORTS."
    )


def run(options: argparse.Namespace) -> int:
    """Exit 0 when a board is there, 1 when none is."""
    if options.watch:
        ports = list(choosing.watch(ConsoleOperator()).new)
    elif options.port:
        ports = [PortEntry(name) for name in options.port]
    else:
        ports = portlist.listed()
    found = probing.look_at_all(ports)
    if options.json:
        print(json.dumps([dataclasses.asdict(one) for one in found], indent=1))
    else:
        _show(options, found)
    return 0 if any(one.board for one in found) else 1


def _show(options: argparse.Namespace, found: list[Found]) -> None:
    for one in found:
        design = _design(options, one)
        more = f" [{one.code}]" if one.code else f", {design}" if design else ""
        print(f"{one.port:<24} {one.state:<16} {one.told}{more}")
    if not found:
        service.say("No serial port is there. Plug a board in, or try another USB cable: some only charge.")


def _design(options: argparse.Namespace, one: Found) -> str:
    """The design of a board, where a service that knows it can be asked; a look at ports must work without one."""
    if one.board is None or not one.board.serial or not options.token:
        return ""
    try:
        return str(service.connect(options).board(one.board.serial)["design"])
    except (ServiceSaid, ServiceUnreachable):
        return ""
