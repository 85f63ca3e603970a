"""`benchworthy verify`: a certificate checked offline, from files."""

import argparse
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchworthy.bench.client import Service, ServiceSaid
from benchworthy.cli import service
from benchworthy.errors import FileUnreadable, RequestInvalid, ServiceUnreachable
from benchworthy.keys.status import verify


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("certificate", type=Path, help="file with the signed certificate")
    parser.add_argument("--keys", type=Path, help="file with the service's /.well-known/jwks.json")
    parser.add_argument("--status-list", type=Path, help="file with the service's /api/v1/status-list")
    parser.add_argument("--site", metavar="URL", help="fetch what is not given as a file from the service there; needs no token")
    parser.epilog = "Exit 0 in force, 3 signature good and status unknown, 4 lapsed or withdrawn, 5 signature bad."


def run(options: argparse.Namespace) -> int:
    """Print one sentence; the exit code says the same."""
    certificate = _read(options.certificate, "").strip()
    if options.keys is None and options.site is None:
        raise RequestInvalid("Say where the site's keys are: --keys FILE, or --site URL.")
    keys = _keys(options.keys) if options.keys else Service(options.site, None).get("/.well-known/jwks.json")
    standing = verify(certificate, _status(options), keys, datetime.now(UTC))
    print(standing.sentence)
    return int(standing.exit)


def _keys(path: Path) -> dict[str, Any]:
    try:
        found: dict[str, Any] = json.loads(_read(path, "{"))
    except ValueError as fault:
        raise FileUnreadable(f"{path} is not a key set in JSON.") from fault
    return found


def _status(options: argparse.Namespace) -> str | None:
    """The status list; without one the certificate's status is unknown, which is an answer too."""
    if options.status_list:
        return _read(options.status_list, "").strip()
    if options.site is None:
        return None
    try:
        return Service(options.site, None).fetch("/api/v1/status-list").decode("ascii", "replace").strip()
    except (ServiceUnreachable, ServiceSaid) as fault:
        service.say(f"No status list: {fault.detail}")
        return None


def _read(path: Path, begins: str) -> str:
    try:
        text = path.read_text()
    except (OSError, UnicodeDecodeError) as fault:
        raise FileUnreadable(f"{path} cannot be read ({fault}).") from fault
    if not text.lstrip().startswith(begins):
        raise FileUnreadable(f"{path} is not a key set in JSON.")
    return text
