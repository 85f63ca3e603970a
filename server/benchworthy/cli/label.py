"""`benchworthy label`."""

import argparse
import sys
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from benchworthy.cli import service
from benchworthy.documents.sizes import SHEETS, SINGLES
from benchworthy.errors import WriteFailed
from benchworthy.intake import label

_ONLY_HERE: Final = {"127.0.0.1", "::1", "localhost", "0.0.0.0", "::", "*"}


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("serial", nargs="+", help="serial numbers of enrolled boards, in the order of printing")
    paper = parser.add_mutually_exclusive_group(required=True)
    paper.add_argument("--sheet", choices=list(SHEETS), help="A4 sheet of labels: columns x rows")
    paper.add_argument("--size", choices=list(SINGLES), help="label printer, one page each: millimetres")
    parser.add_argument(
        "--first", type=int, default=1, help="first free place of a sheet already in use, counted row by row from 1"
    )
    parser.add_argument("--out", type=Path, required=True, help="write the PDF to this file; - is the standard output")
    service.arguments(parser)


def run(options: argparse.Namespace) -> int:
    """Print at "actual size". Nothing is written unless every label can be printed."""
    serials = [label.parse(serial) for serial in options.serial]
    paper = {"sheet": options.sheet, "first": options.first} if options.sheet else {"size": options.size, "first": options.first}
    pdf, leads_to = service.connect(options).post_for_pdf("/api/v1/labels", {"serials": serials, **paper})
    line = f"{len(serials)} label{'s' if len(serials) > 1 else ''} in {options.out}; the codes lead to {leads_to}"
    if str(options.out) == "-":
        sys.stdout.buffer.write(pdf)
        service.say(line)
    else:
        _write(options.out, pdf)
        service.show(options, {"file": str(options.out), "labels": len(serials), "leads_to": leads_to}, line)
    if urlsplit(leads_to).hostname in _ONLY_HERE:
        service.say(
            "Only the service's own machine finds that address: set BENCHWORTHY_PUBLIC_URL there before you print for good."
        )
    return 0


def _write(path: Path, pdf: bytes) -> None:
    try:
        path.write_bytes(pdf)
    except OSError as fault:
        raise WriteFailed(f"{path} could not be written: {fault}.") from fault
