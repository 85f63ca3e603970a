"""`benchworthy backup`."""

import argparse
import json
from datetime import UTC, datetime
from pathlib import Path

from benchworthy import wiring
from benchworthy.cli.service import say
from benchworthy.keeping import archive
from benchworthy.storage.copying import path_of
from benchworthy.storage.moving import on_postgresql


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("target", type=Path, help="the file to write, or a directory for a file with the date in its name")
    parser.add_argument("--with-secrets", action="store_true", help="also the secrets: keep such a file as you keep a key")
    parser.add_argument("--json", action="store_true", help="print the manifest")


def run(options: argparse.Namespace) -> int:
    """Run it as the service's account, with its settings. Prints the name of the file; the file has mode 0600."""
    settings = wiring.from_environment()
    made = archive.make(
        settings.database if on_postgresql(settings.database) else path_of(settings.database),
        settings.data,
        options.target,
        settings.site,
        datetime.now(UTC),
        with_secrets=options.with_secrets,
    )
    rows = sum(table["rows"] for table in made.manifest["tables"].values())
    say(f"{rows} rows of {len(made.manifest['tables'])} tables, schema {made.manifest['schema']}; checked.")
    if options.with_secrets:
        say("The secrets are in it: whoever reads this file can sign as the site and as any board.")
    else:
        say("The secrets (site.secret, signing.jwk) are NOT in it; without them no board is known after a loss.")
    print(json.dumps({"file": str(made.path), **made.manifest}, indent=1) if options.json else made.path)
    return 0
