"""What is kept of a board's standing, worked out for every stretch of time in which nothing happens by itself."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, replace
from datetime import datetime
from typing import Final

from benchworthy.designs.sheet import Policy, Sheet
from benchworthy.desk.facts import BoardFacts, Recall
from benchworthy.desk.fitness import fitness
from benchworthy.desk.next_act import next_act, too_old_at
from benchworthy.history.standing import BEGINNING, END, Seen, Span, Standing

RULES: Final = "2"  # goes up with every change of the desk's rules, so that what was kept by older ones is worked out anew


def basis_of(sheet: Sheet, version: str, recall: Recall | None) -> str:
    """What a standing rests on beside the board's own record; a recall of its design counts before its hold is entered."""
    return f"{version}/{RULES}/{sheet.judging_hash}" + (f"/recall {recall.id}" if recall else "")


def turning_points(facts: BoardFacts, run_ends: Iterable[datetime], policy: Policy, now: datetime) -> tuple[datetime, ...]:
    """Moments to come at which a board's standing may change though nobody does anything."""
    points = set(run_ends)
    if facts.certificate is not None:
        points.add(facts.certificate.valid_until)
    if facts.life.reservation is not None:
        points.add(facts.life.reservation.until)
    points |= {waiver.until for waiver in facts.life.waivers}
    complete = next((run for run in facts.runs if run.complete), None)
    points |= {too_old_at(run, policy) for run in (*facts.runs[:1], complete) if run is not None}
    return tuple(sorted(point for point in points if point > now))


def standing_of(
    facts_at: Callable[[datetime], BoardFacts],
    points: Sequence[datetime],
    sheet: Sheet,
    basis: str,
    hold: int | None,
    seen: Seen | None,
    now: datetime,
) -> Standing:
    """The standing from now on. `facts_at` gives the facts as they will be at a moment; `hold` is the open hold's number."""
    facts = facts_at(now)
    starts = (now, *points)
    spans = [_span(facts_at(start), sheet, hold, start) for start in starts]
    loan = facts.loan if facts.on_loan else None
    certificate, kept = facts.certificate, facts.life.reservation
    return Standing(
        serial=facts.serial,
        basis=basis,
        certificate=certificate.id if certificate else None,
        valid_until=certificate.valid_until if certificate else None,
        lapse=certificate.lapse if certificate else None,
        hold=facts.hold.code if facts.hold else None,
        loan=loan.id if loan else None,
        borrower=loan.borrower if loan else None,
        lent_at=loan.lent_at if loan else None,
        due=loan.due if loan else None,
        reserved_until=kept.until if kept else None,
        seen=seen,
        spans=_joined(spans),
    )


def _span(facts: BoardFacts, sheet: Sheet, hold: int | None, at: datetime) -> Span:
    told = fitness(facts, at)
    waiting = next_act(facts, told, sheet, hold, at)
    plain = {key: value for key, value in asdict(waiting).items() if value is not None} if waiting else None
    return Span(at, END, str(told.state), told.answer, told.until, plain)


def _joined(spans: Sequence[Span]) -> tuple[Span, ...]:
    """One after the other without gaps, from the beginning of time; neighbours that say the same are one."""
    joined: list[Span] = []
    for span in spans:
        if joined and replace(span, since=joined[-1].since) == joined[-1]:
            continue
        if joined:
            joined[-1] = replace(joined[-1], before=span.since)
        joined.append(span if joined else replace(span, since=BEGINNING))
    return tuple(joined)
