"""`benchworthy bench`: test the board at a serial port in a run."""

import argparse
from pathlib import Path

from benchworthy.bench.people import ConsoleOperator
from benchworthy.bench.session import run_board
from benchworthy.bench.transport import BoardLink
from benchworthy.cli import service
from benchworthy.intake import label
from benchworthy.keys.bench_key import BenchKey


def arguments(parser: argparse.ArgumentParser) -> None:
    acts = parser.add_subparsers(dest="act", required=True)
    key = acts.add_parser("key", help="make or show this bench's key and register it (coordinator)")
    key.add_argument("--name", help="register the key under this name")
    test = acts.add_parser("test", help="drive one board through a run")
    test.add_argument("serial", help="serial number from the label")
    test.add_argument("--port", required=True, help="the port that appeared when the board was plugged in")
    test.add_argument("--set", default="first", help="test set; default first")
    test.add_argument("--link", choices=("mqtt", "serial"), default="serial", help="how the board's reports travel")
    test.add_argument("--fixture", action="append", default=[], help="kind:serial, such as TP-4:TP4-0007; the plug first")
    for act in (key, test):
        act.add_argument("--key", type=Path, default=Path("bench.jwk"), help="file of the bench's private key")
        service.arguments(act)


def run(options: argparse.Namespace) -> int:
    """Exit 0 when the run is complete and in limits so far as the bench goes, 1 otherwise."""
    key = BenchKey.load_or_create(options.key)
    if options.act == "key":
        return _key(options, key)
    serial = label.parse(options.serial)
    done = run_board(
        lambda: BoardLink(options.port),
        service.connect(options),
        key,
        ConsoleOperator(),
        serial,
        options.set,
        options.link,
        tuple(options.fixture),
        service.say,
    )
    service.show_run(options, done["state"])
    return 0 if done["state"]["verdict"] == "in limits" else 1


def _key(options: argparse.Namespace, key: BenchKey) -> int:
    if options.name:
        service.connect(options).post("/api/v1/benches", {"name": options.name, "jwk": dict(key.public_jwk)})
        service.say(f"registered as {options.name}")
    print(key.thumbprint)
    return 0
