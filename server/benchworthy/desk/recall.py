"""A design is recalled: from that moment none of its boards is fit, until each was looked at."""

from dataclasses import dataclass
from datetime import datetime

from benchworthy.desk.facts import BoardFacts, Recall, Unmet

LAPSE = "LAPSE-RECALL"


def lapses(recall: Recall | None, issued_at: datetime) -> bool:
    """Whether a certificate falls under it. One issued later was issued knowing of it, after the board's hold was released."""
    return recall is not None and recall.ended_at is None and issued_at <= recall.at


def recalled(facts: BoardFacts) -> tuple[Unmet, ...]:
    """A board of a recalled design whose own hold is not entered yet is no more fit than one that is held."""
    recall = facts.recall
    if recall is None:
        return ()
    told = f"The design {facts.design} was recalled on {recall.at:%Y-%m-%d}: {recall.reason}"
    advice = "POST /api/v1/designs/{design}/recall again enters its hold; a coordinator releases that when the doubt is settled."
    return (Unmet("design-recalled", told, facts.serial, advice),)


@dataclass(frozen=True, slots=True)
class Covered:
    """A board that a doubt about many boards reaches: `place` is here, on loan or missing.

    `held` is None before its hold was entered, and False when that was released.
    """

    serial: str
    place: str
    borrower: str | None
    due: datetime | None
    held: bool | None
