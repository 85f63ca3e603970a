"""`benchworthy bench key`."""

import argparse

from benchworthy.cli import service
from benchworthy.keys.bench_key import BenchKey


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--name", help="register the key under this name")
    service.key_argument(parser)


def run(options: argparse.Namespace) -> int:
    """Print the thumbprint."""
    key = BenchKey.load_or_create(options.key)
    if options.name:
        service.connect(options).post("/api/v1/benches", {"name": options.name, "jwk": dict(key.public_jwk)})
        service.say(f"registered as {options.name}")
    print(key.thumbprint)
    return 0
