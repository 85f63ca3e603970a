"""Run tickets: runs handed out in advance to one bench, for evenings on which it cannot reach the service."""

from dataclasses import dataclass
from datetime import datetime

from benchworthy.judging.draws import Draw


@dataclass(frozen=True, slots=True)
class Ticket:
    """One ticket on record. `draws` are the first and the second of every drawn test.

    The last four are None until it is used: when the service heard of that, for which board, who was at the bench and when
    by the bench's own clock, both as the bench says.
    """

    id: str
    site: str
    bench: str
    design: str
    test_set: str
    judging: str
    guide: str
    nonce: str
    draws: tuple[Draw, ...]
    issued_by: str
    issued_at: datetime
    expires_at: datetime
    used_at: datetime | None = None
    serial: str | None = None
    tested_by: str | None = None
    said_at: datetime | None = None

    @property
    def late(self) -> bool:
        """Whether the service heard of its use after its end: what was measured is kept, and certifies nothing."""
        return self.used_at is not None and self.used_at > self.expires_at

    def drawn(self, test: str, number: int) -> Draw | None:
        """What was drawn for a test when the ticket was made."""
        return next((draw for draw in self.draws if (draw.test, draw.number) == (test, number)), None)
