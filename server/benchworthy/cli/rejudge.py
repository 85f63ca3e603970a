"""`benchworthy rejudge`."""

import argparse
import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from benchworthy import certificate_actions, wiring
from benchworthy.acts.rejudging import Rejudged
from benchworthy.cli import holder
from benchworthy.cli.service import say
from benchworthy.designs import catalogue
from benchworthy.designs.loading import load
from benchworthy.designs.sheet import Sheet
from benchworthy.errors import FileUnreadable, RequestInvalid
from benchworthy.storage.copying import path_of

LAPSE = 1


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = "Judge the stored evidence of certificates in force by the sheet in force, or by one not yet installed."
    parser.epilog = (
        "Exit 0 when every certificate stays, 1 when one lapses (or would). Cut short, it is simply run again: what is entered "
        "is not judged twice."
    )
    parser.add_argument("--dry-run", action="store_true", help="only tell; nothing is written")
    parser.add_argument("--design", metavar="NAME", help="boards of this design only, such as tarn-b")
    parser.add_argument("--sheet", type=Path, metavar="FILE", help="with --dry-run: a sheet that is not installed yet")
    holder.argument(parser, required=False)
    parser.add_argument("--json", action="store_true", help="print what was found as JSON")


def run(options: argparse.Namespace) -> int:
    """Without --dry-run verdicts and lapses (LAPSE-SHEET) are entered for good, each certificate by itself; that needs --by."""
    by = None if options.dry_run else _by(options)
    if options.sheet is not None and by is not None:
        raise RequestInvalid("Only the sheet in force is entered: use --sheet with --dry-run.")
    if options.design is not None:
        catalogue.find(options.design)
    sheet = _sheet(options.sheet) if options.sheet is not None else None
    settings = wiring.from_environment()
    path_of(settings.database)  # no database is made here
    house = wiring.build(settings, signing=False)
    found = []
    for one in certificate_actions.rejudge(house.services, sheet.name if sheet else options.design, sheet, by):
        found.append(one)
        if not options.json and (one.lapses or one.better):
            print(_line(one), flush=True)
    house.database.engine.dispose()
    _tell(options, found, by is None)
    return LAPSE if any(one.lapses for one in found) else 0


def _by(options: argparse.Namespace) -> str:
    if options.by is None:
        raise RequestInvalid("Look first with --dry-run; to enter what is found, say who does it with --by CODE.")
    return holder.code(options)


def _sheet(path: Path) -> Sheet:
    """What a circuit must read stands beside it in FILE.computed.json, or comes with the package. Raises FileUnreadable."""
    beside = path.with_suffix(".computed.json")
    try:
        text = path.read_text()
        patterns: Any = json.loads(beside.read_text())["patterns"] if beside.is_file() else None
    except (OSError, ValueError, KeyError, TypeError) as fault:
        raise FileUnreadable(f"{path} or {beside.name} cannot be read ({fault}).") from fault
    sheet = load(text, patterns or {})
    if patterns is None and sheet.name in catalogue.names():
        say(f"There is no {beside.name}: what a sound board must read is taken from the installed {sheet.name}.")
        return load(text, catalogue.patterns(sheet.name))
    return sheet


def _line(one: Rejudged) -> str:
    parts = (("no longer in limits", one.worse), ("no evidence", one.lacking), ("better", one.better))
    told = "; ".join(f"{what}: {', '.join(tests)}" for what, tests in parts if tests)
    return f"{one.serial}  {one.certificate}  {'LAPSES' if one.lapses else 'stays'}  {told}"


def _tell(options: argparse.Namespace, found: list[Rejudged], dry: bool) -> None:
    counts = {
        "judged": len(found),
        "worsen": sum(bool(one.worse) for one in found),
        "lack_evidence": sum(bool(one.lacking) for one in found),
        "better": sum(bool(one.better) for one in found),
        "lapse": sum(one.lapses for one in found),
    }
    if options.json:
        plain = [{name: value for name, value in asdict(one).items() if name != "outcomes"} for one in found]
        print(json.dumps({"dry_run": dry, **counts, "certificates": plain}, indent=1))
    done = "would lapse" if dry else "lapsed"
    say(
        f"{counts['judged']} certificates judged by another sheet than theirs: {counts['lapse']} {done} "
        f"({counts['worsen']} worse, {counts['lack_evidence']} lack evidence), {counts['better']} better."
    )
