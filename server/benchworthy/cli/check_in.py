"""`benchworthy check-in`."""

import argparse

from benchworthy.cli import service
from benchworthy.intake import label


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("serial")
    parser.add_argument("--run", required=True, help="the check-in run")
    service.arguments(parser)


def run(options: argparse.Namespace) -> int:
    """Exit 0 fit kept, 1 held or still returned."""
    path = f"/api/v1/boards/{label.parse(options.serial)}/check-ins"
    answer = service.connect(options).post(path, {"run": options.run})
    service.show(options, answer, f"{answer['serial']}: {answer['outcome']}. {answer['sentence']}")
    return 0 if answer["outcome"] == "fit kept" else 1
