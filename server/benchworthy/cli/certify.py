"""`benchworthy certify`."""

import argparse
import sys
from pathlib import Path

from benchworthy.bench.client import ServiceSaid
from benchworthy.cli import service
from benchworthy.intake import label


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("serial")
    parser.add_argument("--run", help="run id; default the board's newest run")
    parser.add_argument("--out", type=Path, help="write the signed certificate to this file")
    service.arguments(parser)


def run(options: argparse.Namespace) -> int:
    """Exit 0 issued, 1 refused with every unmet condition."""
    body = {"run": options.run} if options.run else {}
    try:
        answer = service.connect(options).post(f"/api/v1/boards/{label.parse(options.serial)}/certificates", body)
    except ServiceSaid as said:
        if said.code != "certificate-refused":
            raise
        for unmet in said.facts.get("unmet", []):
            print(f"{unmet['code']}: {unmet['what']} Next: {unmet['next']}", file=sys.stderr)
        return 1
    if options.out:
        options.out.write_text(answer["token"])
    virtual = "VIRTUAL " if answer["virtual"] else ""
    service.show(
        options,
        answer,
        f"{virtual}certificate {answer['id']} for {answer['serial']} until {answer['valid_until']}; {answer['coverage']}",
    )
    return 0
