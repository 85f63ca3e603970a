"""`benchworthy serve`."""

import argparse
import sys

from benchworthy import wiring
from benchworthy.serve.choosing import default_broker
from benchworthy.serve.supervisor import supervise


def arguments(parser: argparse.ArgumentParser) -> None:
    """Everything comes from the settings."""
    parser.epilog = "Settings: BENCHWORTHY_* variables, see docs/reference/settings.md."


def run(options: argparse.Namespace) -> int:
    """Migrate, say what is missing, and serve until told to end."""
    settings = default_broker()
    house = wiring.build(settings, signing=True)
    with house.services.storage.reading() as work:
        if not work.registry.any_access():
            print("No token exists, so nothing can be written: run `benchworthy token create HOLDER --first`.", file=sys.stderr)
    house.database.engine.dispose()
    return supervise(settings)
