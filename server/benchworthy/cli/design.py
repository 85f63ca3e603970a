"""`benchworthy design`: list, check, compute."""

import argparse
import json
from pathlib import Path

from benchworthy.designs import catalogue
from benchworthy.designs.loading import load
from benchworthy.errors import FileUnreadable


def arguments(parser: argparse.ArgumentParser) -> None:
    acts = parser.add_subparsers(dest="act", required=True)
    acts.add_parser("list", help="the designs that come with the package")
    check = acts.add_parser("check", help="check a sheet; every fault with its line and key")
    check.add_argument("file", type=Path)
    compute = acts.add_parser("compute", help="what a sound board must read, computed from the sheet's circuit")
    compute.add_argument("name")


def run(options: argparse.Namespace) -> int:
    """Exit 0 when the sheet can be used."""
    if options.act == "list":
        for name in catalogue.names():
            sheet = catalogue.find(name)
            print(f"{name}: {sheet.title}, {sheet.coverage}, judging {sheet.judging_hash[:12]}")
    elif options.act == "check":
        try:
            text = options.file.read_text()
        except (OSError, UnicodeDecodeError) as fault:
            raise FileUnreadable(f"{options.file} cannot be read ({fault}).") from fault
        sheet = load(text)
        print(f"{sheet.name}: {sheet.coverage}, {len(sheet.parts)} parts, sets {', '.join(sheet.sets)}")
    else:
        from benchworthy.virtual import healthy

        document = {
            "from": f"benchworthy design compute {options.name}",
            "patterns": healthy.patterns(catalogue.find(options.name)),
        }
        print(json.dumps(document, indent=1))
    return 0
