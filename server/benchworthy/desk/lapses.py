"""The one list of the ways in which a certificate lapses, and what each asks for. What happens when stands in acts/."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Lapse:
    """`when` it happens, whether the board is `held` as well, and whether the next certificate takes the first set again."""

    when: str
    held: bool
    full: bool


EXPIRED: Final = "LAPSE-EXPIRED"
CHECKIN_INCOMPLETE: Final = "LAPSE-CHECKIN-INCOMPLETE"
FIRMWARE: Final = "LAPSE-FIRMWARE"
SHEET: Final = "LAPSE-SHEET"
MODULE: Final = "LAPSE-MODULE"
WITHDRAWN: Final = "LAPSE-WITHDRAWN"
WAIVER: Final = "LAPSE-WAIVER"
FIELD: Final = "LAPSE-FIELD"

LAPSES: Final[Mapping[str, Lapse]] = {
    EXPIRED: Lapse("its date has passed", held=False, full=False),
    "LAPSE-CHECKIN-FAILED": Lapse("a test was out when the board was checked in", held=True, full=True),
    CHECKIN_INCOMPLETE: Lapse("the check-in was closed with something missing", held=False, full=False),
    "LAPSE-DEFECT": Lapse("a defect was reported", held=True, full=True),
    "LAPSE-REPAIR": Lapse("a repair was recorded", held=False, full=True),
    FIRMWARE: Lapse("another firmware or agent was seen on the board, and nobody approved it", held=False, full=False),
    SHEET: Lapse("by the changed sheet something is no longer in limits, or has no evidence", held=False, full=True),
    MODULE: Lapse("the module was swapped", held=False, full=True),
    "LAPSE-FIXTURE": Lapse("a fixture that its run rests on was found faulty", held=True, full=True),
    "LAPSE-RECALL": Lapse("the design was recalled", held=True, full=True),
    "LAPSE-BENCH": Lapse("the key of the bench was revoked", held=False, full=True),
    WITHDRAWN: Lapse("a coordinator withdrew it, or the key that signed it, or the board was retired", held=False, full=True),
    WAIVER: Lapse("a waiver it rests on was ended before its date", held=False, full=False),
    FIELD: Lapse("away from a bench a test was out twice in a row, or another module spoke", held=True, full=True),
}

# After these a renewal will do; any other lapse asks for everything.
RENEWABLE: Final = (None, *(code for code, lapse in LAPSES.items() if not lapse.full))


def asks_for_full(code: str | None) -> bool:
    """Whether the first set is wanted before another certificate; a code unknown here counts as one that does."""
    return code not in RENEWABLE
