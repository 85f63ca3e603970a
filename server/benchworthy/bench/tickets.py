"""Run tickets in the bench's folder: fetched while the service can be reached, each good for one run of one board."""

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from benchworthy.bench.spool import Spool, make_folder, write
from benchworthy.errors import FileUnreadable, NoTicket, TokenInvalid
from benchworthy.evidence.gate import canonical
from benchworthy.reports.signed import TICKET_TYPE

OpenToken = Callable[[str, Mapping[str, Any], str], dict[str, Any]]
_BOARD: Final = ("design", "epoch", "virtual", "module")
_CLAIMS: Final = {"run": str, "nonce": str, "key": str, "bench": str, "design": str, "set": str, "sheet": str, "draws": list,
                  "exp": int}  # fmt: skip


class TicketBox:
    """The tickets of one bench; `open_token` checks a signature by the site's keys (`keys.status.open_token`)."""

    def __init__(self, folder: Path, bench: str, open_token: OpenToken) -> None:
        self._folder, self._bench, self._open = folder, bench, open_token
        self.spool = Spool(folder)

    def store(self, told: Mapping[str, Any], keys: Mapping[str, Any], boards: Sequence[Mapping[str, Any]]) -> int:
        """Keep what the service handed out; how many tickets. Raises TokenInvalid, WriteFailed; then no ticket was kept."""
        sheet = canonical(told["sheet"])
        named = hashlib.sha256(sheet).hexdigest()
        tickets = [(self._claims(str(one["token"]), keys), one) for one in told["tickets"]]
        if any(claims["sheet"] != named for claims, _ in tickets):
            raise TokenInvalid("The tickets belong to another sheet than the one that came with them.")
        for folder in (self._folder, self._folder / "sheets", self._folder / "tickets"):
            make_folder(folder)
        known = {str(board["serial"]): {name: board.get(name) for name in _BOARD} for board in boards}
        write(self._folder / "boards.json", json.dumps(known).encode())
        write(self._folder / "keys.json", json.dumps(dict(keys)).encode())
        write(self._folder / "sheets" / f"{named}.json", sheet)
        for claims, one in tickets:
            write(self._folder / "tickets" / f"{claims['run']}.jws", str(one["token"]).encode())
        return len(tickets)

    def waiting(self, now: datetime, say: Callable[[str], None] = lambda text: None) -> list[dict[str, Any]]:
        """The claims of each ticket that can be used, those that end first before the others."""
        found = []
        for path in sorted((self._folder / "tickets").glob("r-*.jws")):
            if self.spool.taken(path.stem):
                continue
            try:
                claims = self._claims(path.read_text(), self._keys())
            except TokenInvalid as fault:
                say(f"The ticket {path.name} is left aside: {fault.detail}")
                continue
            if claims["exp"] > now.timestamp():
                found.append(claims)
        return sorted(found, key=lambda claims: (claims["exp"], claims["run"]))

    def take(self, test_set: str, design: str | None, now: datetime, say: Callable[[str], None]) -> dict[str, Any]:
        """Spend a ticket: its claims with what belongs to its sheet. Raises NoTicket, FileUnreadable."""
        of_set = [claims for claims in self.waiting(now, say) if claims["set"] == test_set]
        designs = sorted({claims["design"] for claims in of_set})
        if design is None and len(designs) > 1:
            raise NoTicket(f"There are tickets of {' and '.join(designs)}: say with --design which of them the board is.")
        for claims in of_set:
            if design in (None, claims["design"]) and self.spool.begin(claims["run"]):
                return {**self._sheet(claims["sheet"]), **claims}
        raise NoTicket(f"No ticket for the set {test_set}{f' of {design}' if design else ''} is left in {self._folder}.")

    def board(self, serial: str) -> Mapping[str, Any] | None:
        """What the service knew of a board when tickets were last fetched."""
        path = self._folder / "boards.json"
        found = _json(path).get(serial) if path.exists() else None
        return found if isinstance(found, dict) else None

    def forget(self, run: str) -> None:
        """Its key is of no use any more."""
        (self._folder / "tickets" / f"{run}.jws").unlink(missing_ok=True)

    def _claims(self, token: str, keys: Mapping[str, Any]) -> dict[str, Any]:
        """Raises TokenInvalid unless the site signed it, for this bench."""
        claims = self._open(token, keys, TICKET_TYPE)
        if any(not isinstance(claims.get(name), kind) for name, kind in _CLAIMS.items()):
            raise TokenInvalid("The ticket does not say all that a run needs.")
        if claims["bench"] != self._bench:
            raise TokenInvalid("The ticket is another bench's.")
        return claims

    def _keys(self) -> Mapping[str, Any]:
        return _json(self._folder / "keys.json")

    def _sheet(self, named: str) -> dict[str, Any]:
        path = self._folder / "sheets" / f"{named}.json"
        found = _json(path)
        if hashlib.sha256(canonical(found)).hexdigest() != named:
            raise FileUnreadable(f"{path} is not what the ticket was signed with.")
        return found


def _json(path: Path) -> dict[str, Any]:
    """Raises FileUnreadable."""
    try:
        found = json.loads(path.read_bytes())
    except (OSError, ValueError) as fault:
        raise FileUnreadable(f"{path} cannot be read as JSON ({type(fault).__name__}).") from fault
    if not isinstance(found, dict):
        raise FileUnreadable(f"{path} holds no JSON object.")
    return found
