"""Run tickets: issued to a bench in advance, bound to a board when the bench tells of their use, listed."""

import dataclasses
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from benchworthy.acts import fixtures
from benchworthy.acts import runs as running
from benchworthy.acts.gather import board_of, run_of
from benchworthy.designs.procedures import PROCEDURES
from benchworthy.designs.sheet import Sheet
from benchworthy.desk import tickets as rules
from benchworthy.desk.facts import Unmet
from benchworthy.errors import TicketRefused, UnknownBench, UnknownRun
from benchworthy.evidence.gate import canonical
from benchworthy.evidence.recording import enter, enter_site
from benchworthy.history.records import Bench, Board, Run
from benchworthy.history.tickets import Ticket
from benchworthy.judging.draws import Draw
from benchworthy.judging.findings import Finding
from benchworthy.ports import Services, Work
from benchworthy.reports.signed import TICKET_TYPE


@dataclass(frozen=True, slots=True)
class Use:
    """What a bench tells of a ticket it used. `opened_at` is by its own clock; `holder` who was there, None the teller."""

    serial: str
    scanned: str
    fixtures: tuple[str, ...]
    opened_at: datetime
    holder: str | None


def issue(
    thumbprint: str, design: str, test_set: str, count: int, holder: str, work: Work, services: Services
) -> Mapping[str, Any]:
    """Hand out tickets to a bench: what is common to all, and each one signed. Raises UnknownBench, RequestInvalid."""
    bench = running.bench_of(thumbprint, work, services)
    sheet = services.find_sheet(design)
    running.check_set(test_set, sheet)
    common = running.from_sheet(sheet, test_set)
    made = [_new(bench, sheet, test_set, holder, services) for _ in range(count)]
    for ticket in made:
        work.tickets.add(ticket)
    facts = {"bench": thumbprint, "design": sheet.name, "set": test_set, "runs": [ticket.id for ticket in made]}
    enter_site("tickets-issued", holder, facts, work, services)
    named = hashlib.sha256(canonical(common)).hexdigest()
    signed = [{"run": t.id, "expires": t.expires_at, "token": _signed(t, named, services)} for t in made]
    return {"sheet": common, "tickets": signed}


def _new(bench: Bench, sheet: Sheet, test_set: str, holder: str, services: Services) -> Ticket:
    # Whole seconds, as in the signed ticket: bench and service agree on its end.
    now = services.now().replace(microsecond=0)
    return Ticket(
        id=f"r-{services.random(10).hex()}",
        site=services.site,
        bench=bench.thumbprint,
        design=sheet.name,
        test_set=test_set,
        judging=sheet.judging_hash,
        guide=sheet.guide_hash,
        nonce=services.random(16).hex(),
        draws=_both_draws(sheet, test_set, services),
        issued_by=holder,
        issued_at=now,
        expires_at=now + rules.LIFE,
    )


def _both_draws(sheet: Sheet, test_set: str, services: Services) -> tuple[Draw, ...]:
    """The second one too: away from the service nobody else could draw it after a wrong answer."""
    found: list[Draw] = []
    for test in sheet.tests_of(test_set):
        if PROCEDURES[test.procedure].drawn:
            first = running.draw(test, None, services)
            found += [first, running.draw(test, first, services)]
    return tuple(found)


def _signed(ticket: Ticket, sheet: str, services: Services) -> str:
    """The ticket as a JWS; it holds the run key, so it is a secret."""
    assert services.signer is not None, "only the web process signs"
    claims = {
        "run": ticket.id,
        "nonce": ticket.nonce,
        "key": services.derive_run_key(ticket.id, ticket.nonce),
        "bench": ticket.bench,
        "site": ticket.site,
        "design": ticket.design,
        "set": ticket.test_set,
        "sheet": sheet,
        "draws": [running.told_draw(draw) for draw in ticket.draws],
        "iat": int(ticket.issued_at.timestamp()),
        "exp": int(ticket.expires_at.timestamp()),
    }
    return services.signer.sign(TICKET_TYPE, claims)


def use(run: str, told: Use, holder: str, work: Work, services: Services) -> bool:
    """Bind a ticket to the board it was used for, and open its run; False when just that is on record already.

    Raises UnknownRun, UnknownSerial, RequestInvalid, TicketRefused.
    """
    ticket = work.tickets.find(run)
    if ticket is None or ticket.site != services.site:
        raise UnknownRun(f"No ticket {run} was handed out here.", run=run)
    board = board_of(told.serial, work, services)
    running.check_scan(told.serial, told.scanned)
    if ticket.used_at is not None:
        return _again(ticket, told, work, services)
    bench = work.registry.bench(ticket.bench)
    unmet = rules.unmet_conditions(ticket, bench is None or bench.revoked_at is not None, board.serial, board.design)
    if unmet:
        raise _refusal(ticket, unmet)
    now = services.now()
    opened = rules.opened_at(ticket, told.opened_at, now)
    bound = dataclasses.replace(ticket, used_at=now, serial=board.serial, tested_by=told.holder or holder, said_at=told.opened_at)
    work.tickets.bind(bound)
    _open(bound, told, opened, holder, board, work, services)
    return True


def _again(ticket: Ticket, told: Use, work: Work, services: Services) -> bool:
    before = run_of(ticket.id, work, services).fixtures
    if rules.same_use(ticket, told.serial, told.opened_at, told.fixtures, before):
        return False
    said = f"Ticket {ticket.id} was used for {ticket.serial} already; a ticket is for one run of one board."
    advice = "Compare the labels; fetch new tickets and test the board again."
    raise _refusal(ticket, (Unmet("ticket-used", said, ticket.serial or "", advice),))


def _refusal(ticket: Ticket, unmet: Sequence[Unmet]) -> TicketRefused:
    told = [{"code": u.code, "what": u.what, "evidence": u.evidence, "next": u.next} for u in unmet]
    return TicketRefused(" ".join(u.what for u in unmet), run=ticket.id, unmet=told)


def _open(ticket: Ticket, told: Use, opened: datetime, holder: str, board: Board, work: Work, services: Services) -> None:
    """The run begins to take parts now, for as long as any run does, whenever it was measured."""
    sheet = services.find_sheet(ticket.design)
    now = services.now()
    run = Run(
        id=ticket.id,
        serial=board.serial,
        site=ticket.site,
        test_set=ticket.test_set,
        design=ticket.design,
        judging=ticket.judging,
        guide=ticket.guide,
        bench=ticket.bench,
        scanned=told.scanned,
        nonce=ticket.nonce,
        opened_by=holder,
        opened_at=opened,
        expires_at=now + timedelta(hours=sheet.policy.run_hours),
        closed_at=None,
        closed_by=None,
        fixtures=told.fixtures,
        summary={},
    )
    fixtures.take_up(told.fixtures, board, work, services, used=True)
    running.add(run, tuple(draw for draw in ticket.draws if draw.number == 1), work, services)
    facts = {**running.opening_facts(run), "ticket": ticket.issued_at.isoformat(), "late": ticket.late}
    said = {"tested_by": ticket.tested_by, "bench_clock": told.opened_at.isoformat(), "opened_at": opened.isoformat()}
    enter(board, "run-opened", holder, {**facts, **said}, work, services)
    if opened != told.opened_at:
        text = f"The bench's clock says that the run was opened at {told.opened_at:%Y-%m-%d %H:%M}; that cannot be."
        work.evidence.add_findings(board.serial, run.id, None, [Finding("bench-clock-wrong", text)], now)


def listed(thumbprint: str, after: str, limit: int, work: Work, services: Services) -> Sequence[tuple[Ticket, str]]:
    """The tickets of a bench by their run's id, each with its state. Raises UnknownBench."""
    bench = work.registry.bench(thumbprint)
    if bench is None or bench.site != services.site:
        raise UnknownBench(f"No bench {thumbprint} is registered.", bench=thumbprint)
    found = work.tickets.of_bench(thumbprint, after, limit)
    return [(ticket, rules.state(ticket, bench.revoked_at is not None, services.now())) for ticket in found]
