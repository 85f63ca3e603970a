"""How a command reaches the service: BENCHWORTHY_URL and BENCHWORTHY_TOKEN, or options."""

import argparse
import json
import os
import sys
from pathlib import Path
from typing import Any

from benchworthy.bench.client import Service
from benchworthy.bench.tickets import TicketBox
from benchworthy.errors import TokenMissing
from benchworthy.keys.bench_key import BenchKey
from benchworthy.keys.status import open_token


def arguments(parser: argparse.ArgumentParser) -> None:
    """Options that every command over HTTP has."""
    parser.add_argument(
        "--url", default=os.environ.get("BENCHWORTHY_URL", "http://127.0.0.1:8780"), help="where the service is (BENCHWORTHY_URL)"
    )
    parser.add_argument("--token", default=os.environ.get("BENCHWORTHY_TOKEN"), help="your token (better: BENCHWORTHY_TOKEN)")
    parser.add_argument("--json", action="store_true", help="print the whole answer as JSON")


def key_argument(parser: argparse.ArgumentParser) -> None:
    """Commands that sign as a bench have this one too."""
    parser.add_argument("--key", type=Path, default=Path("bench.jwk"), help="file of the bench's private key")


def folder_argument(parser: argparse.ArgumentParser) -> None:
    """Commands that keep things at the bench have this one too; it comes with `--key`."""
    parser.add_argument(
        "--folder", type=Path, help="where tickets and what waits are kept; default: bench-offline beside the key"
    )


def box(options: argparse.Namespace, key: BenchKey) -> TicketBox:
    """The bench's folder."""
    return TicketBox(options.folder or options.key.parent / "bench-offline", key.thumbprint, open_token)


def connect(options: argparse.Namespace) -> Service:
    """The service as this user. Raises TokenMissing."""
    if not options.token:
        raise TokenMissing("No token is given.")
    return Service(options.url, options.token)


def show(options: argparse.Namespace, answer: Any, line: str) -> None:
    """JSON on demand, else one line for a person."""
    print(json.dumps(answer, indent=1) if options.json else line)


def say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def show_run(options: argparse.Namespace, answer: dict[str, Any]) -> None:
    """A run: one line a test, then what is still needed."""
    if options.json:
        print(json.dumps(answer, indent=1))
        return
    print(
        f"run {answer['run']} of {answer['serial']}: {answer['verdict'] or 'nothing yet'}"
        f"{'' if answer['complete'] else ', incomplete'}{', closed' if answer['closed_at'] else ''}"
    )
    for test in answer["tests"]:
        values = "; ".join(f"{q['name']} {q['value']:.4g} {q['unit']} (U {q['expanded']:.2g})" for q in test["quantities"][:3])
        print(f"  {test['test']:<10} {test['verdict']:<10} {values}")
        if test["sentence"]:
            print(f"             {test['sentence']}")
    for need in answer["still_needed"]:
        print(f"  still needed: {need['what']} [{need['code']}]")
    for finding in answer["findings"]:
        print(f"  finding: {finding['text']} [{finding['code']}]")
