"""`benchworthy verify`: a certificate checked offline, from files."""

import argparse
import json
from datetime import UTC, datetime
from pathlib import Path

from benchworthy.errors import FileUnreadable
from benchworthy.keys.status import verify


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("certificate", type=Path, help="file with the signed certificate")
    parser.add_argument("--keys", type=Path, required=True, help="file with the service's /.well-known/jwks.json")
    parser.add_argument("--status-list", type=Path, help="file with the service's /api/v1/status-list")
    parser.epilog = "Exit 0 in force, 3 signature good and status unknown, 4 lapsed or withdrawn, 5 signature bad."


def run(options: argparse.Namespace) -> int:
    """Print one sentence; the exit code says the same."""
    keys = json.loads(_read(options.keys, "{"))
    status = _read(options.status_list, "").strip() if options.status_list else None
    standing = verify(_read(options.certificate, "").strip(), status, keys, datetime.now(UTC))
    print(standing.sentence)
    return int(standing.exit)


def _read(path: Path, begins: str) -> str:
    try:
        text = path.read_text()
    except (OSError, UnicodeDecodeError) as fault:
        raise FileUnreadable(f"{path} cannot be read ({fault}).") from fault
    if not text.lstrip().startswith(begins):
        raise FileUnreadable(f"{path} is not a key set in JSON.")
    return text
