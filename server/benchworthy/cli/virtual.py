"""`benchworthy virtual`: a virtual board on a pty, for trying the bench without hardware."""

import argparse
import signal
import tempfile
import threading
from pathlib import Path

from benchworthy.cli.service import say
from benchworthy.designs import catalogue
from benchworthy.intake import label
from benchworthy.virtual.board import VirtualBoard


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("design", help="name of the design, such as tarn-b")
    parser.add_argument("--serial", default="VT001", help="body of the serial number; its check character is added")
    parser.add_argument("--faults", default="", help="comma-separated, such as R17=100k,J4.2=bent")
    parser.add_argument("--seed", type=int, default=1, help="draws the parts within their tolerance")
    parser.add_argument("--plug", action="store_true", help="with the test plug fitted")


def run(options: argparse.Namespace) -> int:
    """Print the port, then stay until interrupted."""
    sheet, serial = catalogue.find(options.design), label.complete(options.serial)
    ended = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: ended.set())
    with tempfile.TemporaryDirectory() as flash:
        board = VirtualBoard(
            sheet.parts, sheet.conditions, sheet.fixtures, options.seed, "e6614103e7" + "0" * 6, serial, Path(flash), "TP4-0007"
        )
        for fault in filter(None, options.faults.split(",")):
            board.inject(fault)
        board.hands.attach("jack")
        if options.plug:
            board.hands.attach("TP-4")
        with board:
            board.start()
            say(f"virtual {sheet.title}, serial number {serial}; Ctrl-C ends it")
            print(board.port, flush=True)
            ended.wait()
    return 0
