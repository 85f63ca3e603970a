"""How deep a returned board is looked at. The draw comes in as an argument, so that nobody can choose it."""

from dataclasses import dataclass
from datetime import timedelta

from benchworthy.designs.sheet import Policy
from benchworthy.desk.facts import BoardFacts
from benchworthy.desk.lapses import FIELD, asks_for_full

QUICK_DAYS = 14
LONG_DAYS = 30
FULL_EVERY = 3
DRAWN_OF, DRAWN = 30, 10  # so many of so many quick returns get the plug set all the same


@dataclass(frozen=True, slots=True)
class Return:
    """What is known of a return: `number` counts this board's returns from 1, `trusted` means the same class teacher."""

    number: int
    out: timedelta
    trusted: bool = False
    remark: bool = False
    dropped: bool = False
    wet: bool = False
    accessory_missing: bool = False
    uncounted: bool = False


@dataclass(frozen=True, slots=True)
class Depth:
    """The set to run, and why."""

    test_set: str
    reasons: tuple[str, ...]


def depth(facts: BoardFacts, back: Return, draw: int) -> Depth:
    """The check-in set for this return; `draw` is a random number from 0 up to, not including, DRAWN_OF."""
    full = _asks_for_full(facts, back)
    if full:
        return Depth("full", full)
    if back.out > timedelta(days=QUICK_DAYS):
        return Depth("plug", (f"It was out for more than {QUICK_DAYS} days.",))
    if not back.trusted:
        return Depth("plug", ("It did not come back from the same class teacher.",))
    if draw < DRAWN:
        return Depth("plug", (f"Drawn at random, as {DRAWN} of {DRAWN_OF} short returns are.",))
    return Depth("quick", (f"A short loan of at most {QUICK_DAYS} days without a remark.",))


def ladder(policy: Policy) -> tuple[str, ...]:
    """The sets a check-in may be made with, the shallowest first; a renewal holds the plug set."""
    return ("quick", "plug", policy.renewal_set, policy.first_set)


def deep_enough(test_set: str, asked: str, policy: Policy) -> bool:
    """Whether a run of this set is at least as deep as the set asked for."""
    steps = ladder(policy)
    return asked not in steps or (test_set in steps and steps.index(test_set) >= steps.index(asked))


def _lapsed(facts: BoardFacts) -> bool:
    return facts.certificate is not None and asks_for_full(facts.certificate.lapse)


def _doubted(facts: BoardFacts) -> bool:
    return facts.certificate is not None and facts.certificate.lapse == FIELD


def _asks_for_full(facts: BoardFacts, back: Return) -> tuple[str, ...]:
    asks = (
        (back.remark or facts.life.remark_waiting, "A remark is waiting."),
        (back.dropped, "It was dropped."),
        (back.wet, "It got wet."),
        (back.accessory_missing, "An accessory is missing."),
        (back.uncounted, "What was lent with it was not counted."),
        (back.number == 1, "It was its first loan."),
        (back.out > timedelta(days=LONG_DAYS), f"It was out for more than {LONG_DAYS} days."),
        (back.number % FULL_EVERY == 0, f"Every return number {FULL_EVERY}, {2 * FULL_EVERY}, ... is looked at in full."),
        (facts.hold is not None, "It is held."),
        (_lapsed(facts) and not _doubted(facts), "Its certificate lapsed while it was out."),
        (_doubted(facts), "Its own reports raised a doubt while it was out."),
    )
    return tuple(reason for asked, reason in asks if asked)
