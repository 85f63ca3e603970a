"""`benchworthy virtual`: a virtual board on a pty, for trying the bench without hardware."""

import argparse
import contextlib
import json
import os
import signal
import sys
import tempfile
import threading
from pathlib import Path

from benchworthy.cli.service import say
from benchworthy.designs import catalogue
from benchworthy.intake import label
from benchworthy.virtual.board import VirtualBoard

_SEEN_MA = 0.5  # as the virtual operator: with less a lamp looks dark
_METER_NET = "V33S"  # what the probe on TP3 touches


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("design", help="name of the design, such as tarn-b")
    parser.add_argument("--serial", default="VT001", help="body of the serial number; its check character is added")
    parser.add_argument("--faults", default="", help="comma-separated, such as R17=100k,J4.2=bent")
    parser.add_argument("--seed", type=int, default=1, help="draws the parts within their tolerance")
    parser.add_argument("--plug", action="store_true", help="with the test plug fitted")
    parser.add_argument("--flash", type=Path, help="folder that keeps the module's files; default a new one, removed at the end")


def run(options: argparse.Namespace) -> int:
    """Print the port, then be hands and eyes: the words plug, unplug, meter and end; what the lamp does is told."""
    sheet, serial = catalogue.find(options.design), label.complete(options.serial)
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    with contextlib.ExitStack() as stack:
        flash = options.flash or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        flash.mkdir(parents=True, exist_ok=True)
        board = VirtualBoard(
            sheet.parts, sheet.conditions, sheet.fixtures, options.seed, "e6614103e7" + "0" * 6, serial, flash, "TP4-0007"
        )
        for fault in filter(None, options.faults.split(",")):
            board.inject(fault)
        board.hands.attach("jack")
        if options.plug:
            board.hands.attach("TP-4")
        stack.enter_context(board)
        threading.Thread(target=_watch, args=(os.dup(board.perceived),), daemon=True).start()
        say(f"virtual {sheet.title}, serial number {serial}; type plug, unplug, meter or end")
        print(board.port, flush=True)
        _hands(board)
    return 0


def _hands(board: VirtualBoard) -> None:
    """Do what is typed; where nobody types (standard input is closed), stay until a signal ends it."""
    for word in map(str.strip, sys.stdin):
        match word:
            case "plug":
                board.hands.attach("TP-4")
            case "unplug":
                board.hands.detach("TP-4")
            case "meter":
                say(f"  TP3 shows {board.hands.meter(_METER_NET):.3f} V")
            case "end":
                return
    threading.Event().wait()


def _watch(perceived: int) -> None:
    lit = False
    with os.fdopen(perceived) as lines:
        for line in lines:
            seen = json.loads(line)
            now = seen["lamp_ma"] > _SEEN_MA
            if now and not lit:
                say(f"  lamp lit, {seen['ms']} ms")
            lit = now
