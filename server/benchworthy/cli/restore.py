"""`benchworthy restore`."""

import argparse
import json
from pathlib import Path

from benchworthy import wiring
from benchworthy.cli.service import say
from benchworthy.keeping import restoring
from benchworthy.storage.moving import on_postgresql


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("archive", type=Path, metavar="FILE", help="a backup")
    parser.add_argument("--data", type=Path, required=True, help="data directory to restore into: empty, or not there yet")
    parser.add_argument("--json", action="store_true", help="print the manifest")


def run(options: argparse.Namespace) -> int:
    """Every table is held against the backup's manifest, row for row, before anything is put in place.

    Where BENCHWORTHY_DATABASE names a PostgreSQL database, the record goes there, whichever kind it was backed up from.
    """
    url = wiring.from_environment().database
    database = url if on_postgresql(url) else None
    back = restoring.restore(options.archive, options.data, database)
    tables = back.manifest["tables"]
    say(f"{sum(table['rows'] for table in tables.values())} rows of {len(tables)} tables are as they were backed up.")
    if back.schema != back.manifest["schema"]:
        say(f"Migrated from schema {back.manifest['schema']} to {back.schema}.")
    if database is not None:
        say("The record is in the PostgreSQL database that BENCHWORTHY_DATABASE names; equal by the checksum of every table.")
    if not back.secrets:
        say(
            f"The backup held no secrets: copy site.secret and signing.jwk into {options.data} before you start the service. "
            "With new ones it would know no board's key and confirm no certificate."
        )
    print(json.dumps({"data": str(options.data), **back.manifest}, indent=1) if options.json else options.data)
    return 0
