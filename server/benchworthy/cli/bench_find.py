"""`benchworthy bench find`: which of these boards is it?"""

import argparse
import time
from typing import Any

from benchworthy.bench import portlist, probing
from benchworthy.bench.agent_calls import Agent
from benchworthy.bench.client import Service
from benchworthy.bench.transport import BoardLink
from benchworthy.cli import service
from benchworthy.intake import label

ASKED = 3
_SENT_S = 10.0


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("serial", help="serial number from the label")
    parser.add_argument("--port", action="append", default=[], help="look at this port only; may be given again")


def run(options: argparse.Namespace) -> int:
    """Exit 0 when the board is at this bench and has shown itself, 3 when the service was asked to tell it."""
    serial = label.parse(options.serial)
    ports = [portlist.PortEntry(name) for name in options.port] or portlist.listed()
    for found in probing.look_at_all(ports):
        if found.board is not None and found.board.serial == serial:
            service.say(f"{serial} is at {found.port}: its lamp blinks and it sounds, for half a minute.")
            with BoardLink(found.port) as link:
                Agent(link).find()
            return 0
    service.say(f"{serial} is at none of the {len(ports)} ports here; asking the service.")
    core = service.connect(options)
    asked = core.ask_board(serial, "find")
    told = _sent(core, asked)
    line = (
        "the broker has it; the board shows itself when it is switched on and in reach"
        if told["sent_at"]
        else "it waits for the broker"
    )
    service.show(options, told, f"request {told['number']} to {serial}: {line}")
    return ASKED


def _sent(core: Service, asked: dict[str, Any]) -> dict[str, Any]:
    """The request once the broker took it, or as it is after some seconds."""
    deadline = time.monotonic() + _SENT_S
    told = asked
    while told["sent_at"] is None and time.monotonic() < deadline:
        time.sleep(0.3)
        told = core.request(asked["serial"], asked["number"])
    return told
