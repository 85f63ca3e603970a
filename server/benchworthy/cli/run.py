"""`benchworthy run`."""

import argparse

from benchworthy.cli import service


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("run", help="run id")
    parser.add_argument("--close", action="store_true", help="freeze the run")
    service.arguments(parser)


def run(options: argparse.Namespace) -> int:
    """Exit 0 complete and in limits, 1 otherwise."""
    core = service.connect(options)
    answer = core.close(options.run) if options.close else core.get_run(options.run)
    service.show_run(options, answer)
    return 0 if answer["complete"] and answer["verdict"] == "in limits" else 1
