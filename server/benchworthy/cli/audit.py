"""`benchworthy audit`."""

import argparse
import dataclasses
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Engine

from benchworthy import wiring
from benchworthy.cli.service import say
from benchworthy.errors import FileUnreadable, WriteFailed
from benchworthy.keeping import audit, clock, daily
from benchworthy.keys.signer import SiteSigner
from benchworthy.settings import Settings
from benchworthy.storage.engine import open_engine
from benchworthy.storage.moving import require

FOUND = 1


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--heads", type=Path, metavar="FILE", help="write the signed list of heads, if nothing was found")
    parser.add_argument("--against", type=Path, nargs="+", metavar="FILE", help="signed lists, or directories of them (*.jws)")
    parser.add_argument("--keys", type=Path, metavar="FILE", help="the site's /.well-known/jwks.json; default its own key")
    parser.add_argument("--clock-right", metavar="CODE", help="enter as the person with this code that the clock is right now")
    parser.add_argument("--json", action="store_true", help="print what was found as JSON")


def run(options: argparse.Namespace) -> int:
    """Exit 0 when everything holds, 1 when something is not as it was written; each is told with its serial and entry."""
    settings = wiring.from_environment()
    require(settings.database)  # an audit makes no database
    if options.clock_right:
        return _clock_right(options.clock_right, settings)
    lists = audit.read_lists(options.against, _keys(options, settings)) if options.against else []
    engine = open_engine(settings.database)
    try:
        found = audit.audit(engine, lists)
        if options.heads and not found.faults:
            _write_heads(options.heads, settings, engine)
    finally:
        engine.dispose()
    for fault in found.faults:
        say(f"{fault.sentence} [{fault.code}]")
    verdict = f"{len(found.faults)} faults" if found.faults else "everything holds"
    against = f", against {len(lists)} lists" if lists else ""
    if options.json:
        print(json.dumps(dataclasses.asdict(found), indent=1))
    else:
        print(f"{found.entries} entries in {found.chains} chains{against}: {verdict}")
    return FOUND if found.faults else 0


def _clock_right(holder: str, settings: Settings) -> int:
    """Nothing is audited then. Times in the ledger that are later than now are believed no more."""
    house = wiring.build(settings, signing=True)
    wrong_until = clock.confirm(holder, house.services, house.database.engine)
    house.database.engine.dispose()
    told = f"entered: times from now until {wrong_until} in the ledger are wrong" if wrong_until else "no entry is later than now"
    print(told)
    return 0


def _write_heads(path: Path, settings: Settings, engine: Engine) -> None:
    signer = SiteSigner.load(settings.data / wiring.SIGNING_FILE)
    token = daily.signed_list(engine, signer, settings.site, datetime.now(UTC))
    if token is None:
        raise WriteFailed("There is no entry in the ledger yet, so there are no heads to list.")
    try:
        if not daily.write(path, token):
            raise WriteFailed(f"{path} is there already.")
    except OSError as fault:
        raise WriteFailed(f"{path} cannot be written ({fault.strerror}).") from fault


def _keys(options: argparse.Namespace, settings: Settings) -> dict[str, Any]:
    if options.keys is None:
        return SiteSigner.load(settings.data / wiring.SIGNING_FILE).jwks()
    try:
        keys = json.loads(options.keys.read_text())
    except (OSError, ValueError) as fault:
        raise FileUnreadable(f"{options.keys} is no key set in JSON ({fault}).") from fault
    if not isinstance(keys, dict):
        raise FileUnreadable(f"{options.keys} is no key set in JSON.")
    return keys
