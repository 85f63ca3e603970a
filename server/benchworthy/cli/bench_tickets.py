"""`benchworthy bench tickets`: runs in advance, for an evening without the service."""

import argparse
from collections import Counter
from datetime import UTC, datetime
from typing import Any

from benchworthy.bench.client import Service
from benchworthy.bench.tickets import TicketBox
from benchworthy.cli import service
from benchworthy.keys.bench_key import BenchKey


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("what", choices=("fetch", "show"), help="fetch some from the service, or show those that are left")
    parser.add_argument("--count", type=int, default=10, help="how many to fetch, at most 60; default 10")
    parser.add_argument("--set", default="plug", help="test set they are for; default plug")
    parser.add_argument("--design", default="tarn-b", help="board design they are for; default tarn-b")
    service.key_argument(parser)
    service.folder_argument(parser)


def run(options: argparse.Namespace) -> int:
    """Exit 0 when there are tickets that can be used, 1 when none is left."""
    key = BenchKey.load_or_create(options.key)
    box = service.box(options, key)
    if options.what == "fetch":
        count = _fetch(options, service.connect(options), box, key.thumbprint)
        service.say(f"{count} tickets fetched. They are secrets, and good for 72 hours.")
    left = [_shown(claims) for claims in box.waiting(datetime.now(UTC), service.say)]
    kinds = Counter((one["design"], one["set"], one["expires"][:16]) for one in left)
    lines = [f"{count} for the set {kind[1]} of {kind[0]}, until {kind[2]} UTC" for kind, count in kinds.items()]
    service.show(options, {"tickets": left}, "\n".join(lines) or "no ticket is left")
    return 0 if left else 1


def _fetch(options: argparse.Namespace, core: Service, box: TicketBox, bench: str) -> int:
    """With the site's keys and what is on record of the boards, as far as a run needs it."""
    told = core.fetch_tickets(bench, {"count": options.count, "set": options.set, "design": options.design})
    return box.store(told, core.get("/.well-known/jwks.json"), _boards(core))


def _boards(core: Service) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    after: str | None = ""
    while after is not None:
        page = core.get(f"/api/v1/boards?limit=200&after={after}")
        found += page["boards"]
        after = page["next"]
    return found


def _shown(claims: dict[str, Any]) -> dict[str, str]:
    """Without its secrets."""
    ends = datetime.fromtimestamp(claims["exp"], UTC).isoformat(timespec="seconds")
    return {**{name: claims[name] for name in ("run", "design", "set")}, "expires": ends}
