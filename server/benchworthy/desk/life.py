"""What the desk has put on record of one board beside its evidence. None of it says that the board is fit."""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class DefectFacts:
    """An open defect: what was seen, since when."""

    id: int
    seen: str
    since: datetime


@dataclass(frozen=True, slots=True)
class RepairFacts:
    """A repair on record: the part by its reference on the sheet, and the stage in which that part is soldered."""

    part: str
    stage: int
    at: datetime


@dataclass(frozen=True, slots=True)
class WaiverFacts:
    """A coordinator lets one test go until a date, with a reason; `number` ends it sooner."""

    number: int
    test: str
    reason: str
    by: str
    until: datetime


@dataclass(frozen=True, slots=True)
class ReservationFacts:
    """A board is kept for one borrower, an opaque code, until a date."""

    id: int
    borrower: str
    until: datetime


@dataclass(frozen=True, slots=True)
class RetirementFacts:
    """Final. `for_parts` says that the board gives spares."""

    reason: str
    for_parts: bool
    at: datetime


@dataclass(frozen=True, slots=True)
class SignOff:
    """A stage of the build found in order: who built it, who looked at it."""

    stage: int
    builder: str
    inspector: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Life:
    """Open defects, all repairs (oldest first), waivers in force, sign-offs in the order of their making, and what else is."""

    defects: tuple[DefectFacts, ...] = ()
    repairs: tuple[RepairFacts, ...] = ()
    waivers: tuple[WaiverFacts, ...] = ()
    sign_offs: tuple[SignOff, ...] = ()
    reservation: ReservationFacts | None = None
    retired: RetirementFacts | None = None
    missing_since: datetime | None = None
    returns: int = 0
    remark: int | None = None  # the oldest that a borrower left and nobody has read

    @property
    def remark_waiting(self) -> bool:
        return self.remark is not None


NOTHING = Life()
