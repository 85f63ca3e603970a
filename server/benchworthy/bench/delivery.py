"""What waits at the bench goes to the service, each thing exactly once, whatever is cut off in between.

A report is known by its digest, the rest by an Idempotency-Key made of run and number. A thing counts as delivered once the
answer to it is on disk; until then it is sent again, and the service answers as before.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from benchworthy.bench import spool
from benchworthy.bench.client import Service, ServiceSaid
from benchworthy.bench.spool import Item
from benchworthy.bench.tickets import TicketBox
from benchworthy.evidence.gate import canonical
from benchworthy.reports.token import digest

# Not about the thing that was sent: sending the next one would be answered alike.
_ABOUT_THE_SENDER: Final = frozenset({401, 403, 429, 503})
# A report of a run key or a bench that is not known any more is answered 401 too, and is about the report.
_ABOUT_THE_REPORT: Final = frozenset({"report-key-unknown", "report-signature-bad"})


@dataclass(slots=True)
class Delivered:
    """What was sent now, run by run; what the service refused of each; and the runs that are through."""

    sent: dict[str, int] = field(default_factory=dict)
    refused: dict[str, list[str]] = field(default_factory=dict)
    done: list[str] = field(default_factory=list)
    going_on: list[str] = field(default_factory=list)


def deliver(box: TicketBox, service: Service, say: Callable[[str], None]) -> Delivered:
    """Send everything that waits. Raises ServiceUnreachable, ServiceSaid, SpoolBusy, WriteFailed; what was answered stays so."""
    told = Delivered()
    with box.spool.alone():
        for run in box.spool.runs():
            if box.spool.going_on(run):
                say(f"Run {run} is still going on and is left for later.")
                told.going_on.append(run)
                continue
            _deliver_run(run, box, service, told, say)
    return told


def _deliver_run(run: str, box: TicketBox, service: Service, told: Delivered, say: Callable[[str], None]) -> None:
    items = box.spool.items(run)
    for item in items:
        if item.reply is not None:
            continue
        refusal = _deliver_one(item, box, service)
        if refusal is None:
            told.sent[run] = told.sent.get(run, 0) + 1
            continue
        say(f"Run {run}, {item.kind} {item.number}: {refusal}")
        told.refused.setdefault(run, []).append(str(refusal))
        if item.kind == spool.USE:
            return  # without its use the service knows nothing of this run
    if not items:
        say(f"Run {run} took a ticket and was broken off before anything was measured.")
    if run not in told.refused:
        box.forget(run)  # before the run leaves: a ticket whose run is nowhere would look unused
        box.spool.finish(run)
        told.done.append(run)


def _deliver_one(item: Item, box: TicketBox, service: Service) -> ServiceSaid | None:
    """None once the service has it, and its answer is on disk; otherwise why it does not want it."""
    try:
        reply = _send(item, service)
    except ServiceSaid as fault:
        if fault.status in _ABOUT_THE_SENDER and fault.code not in _ABOUT_THE_REPORT:
            raise
        if not _has_it(item, fault, service):
            return fault
        reply = {"run": item.run, "code": fault.code}
    box.spool.answered(item, reply)
    return None


def _send(item: Item, service: Service) -> Mapping[str, Any]:
    key = f"{item.run}.{item.number}"
    match item.kind:
        case spool.USE:
            answer = service.use_ticket(item.run, item.body, key)
        case spool.REPORT:
            return service.send_report(item.octets)
        case spool.ANSWER:
            answer = service.answer(item.run, item.body, key)
        case _:
            answer = service.draw(item.run, str(item.body["test"]), key)
    return {name: answer[name] for name in ("run", "test", "draw", "complete", "verdict") if name in answer}


def _has_it(item: Item, fault: ServiceSaid, service: Service) -> bool:
    """Whether a refusal means that it came before: the key of the first sending is kept for a day, and only for its token."""
    if item.kind == spool.DRAW and fault.code == "draw-refused":
        return True  # there is no second draw but the ticket's, so it is this one; a first answer that is missing was told
    if item.kind != spool.ANSWER or fault.code not in ("answer-refused", "run-closed"):
        return False
    arrived: Sequence[Mapping[str, Any]] = service.get_run(item.run).get("arrived", [])
    return any(one.get("digest") == _digest(item, str(one.get("holder"))) for one in arrived)


def _digest(item: Item, holder: str) -> str:
    """What names this answer on record when that person handed it in."""
    answers = [_plain(given) for given in item.body["answers"]]
    return digest(canonical({"run": item.run, "holder": holder, "answers": answers}))


def _plain(given: Mapping[str, Any]) -> dict[str, Any]:
    plain = {"draw": 1, **given}
    return {**plain, "number": float(plain["number"])} if "number" in plain else plain
