"""Back in the house: take a board back with all that is told about it, and settle the return on a check-in run."""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from benchworthy.acts import remarks
from benchworthy.acts.drift import moved_since_build
from benchworthy.acts.gather import board_of, facts_of, run_of
from benchworthy.acts.sheet_change import certificate_facts
from benchworthy.desk import depth as depths
from benchworthy.desk import lend, missing
from benchworthy.desk.check_in import CheckIn, Circumstances
from benchworthy.desk.check_in import check_in as decide
from benchworthy.desk.depth import DRAWN_OF, Depth, Return
from benchworthy.desk.facts import BoardFacts, CertificateFacts, HoldFacts, LoanFacts
from benchworthy.desk.fitness import fitness
from benchworthy.desk.lapses import CHECKIN_INCOMPLETE
from benchworthy.desk.states import GONE, Act, refusal
from benchworthy.errors import CheckInRefused, ReturnRefused
from benchworthy.evidence import standing
from benchworthy.evidence.recording import enter
from benchworthy.history.records import Board, Hold, Loan, Run
from benchworthy.judging.findings import Finding
from benchworthy.judging.run import Assessment
from benchworthy.ports import Services, Work

SWAPPED = "LAPSE-MODULE"


@dataclass(frozen=True, slots=True)
class Back:
    """What the desk tells of a return. None means that nobody counted, said or read it, not that all is well."""

    scanned: str
    accessories: Mapping[str, int] | None = None
    remark: str | None = None
    dropped: bool = False
    wet: bool = False
    module: str | None = None


@dataclass(frozen=True, slots=True)
class TakenBack:
    """A return on record. `module` is "agrees", "differs", "not read" or "none bound"; `lacking` is None if not counted."""

    loan: Loan
    module: str
    lacking: Mapping[str, int] | None
    remark: int | None
    hold: str | None
    lapse: str | None
    lapsed: tuple[str, ...]
    told: tuple[str, ...]


def take_back(serial: str, back: Back, holder: str, work: Work, services: Services) -> TakenBack:
    """End the loan. Raises ReturnRefused unless the board is on loan and its own label was scanned."""
    board = board_of(serial, work, services)
    facts = facts_of(board, work, services)
    if stands := against(facts):
        raise ReturnRefused(stands, serial=serial)
    if back.scanned != serial:
        raise ReturnRefused(f"The scanned label {back.scanned} is not {serial}.", scanned=back.scanned)
    return put_back(board, facts, back, holder, work, services)


def against(facts: BoardFacts) -> str:
    """Why this board cannot come back; empty when it can."""
    if facts.life.retired is not None:
        return f"{facts.serial} is retired, and stays so."
    return "" if facts.on_loan else f"{facts.serial} is not on loan."


def put_back(board: Board, facts: BoardFacts, back: Back, holder: str, work: Work, services: Services) -> TakenBack:
    """Put a return on record that nothing stands against: whatever is wrong with the board, it stands here now."""
    loan, *before = work.lending.newest(board.serial, 2)
    module = _module(board.module, back.module)
    lacking = lend.short(loan.accessories or {}, back.accessories) if back.accessories is not None else None
    wanted = _depth(facts, loan, before[0].borrower if before else None, back, module, lacking, services)
    wanted = dataclasses.replace(wanted, test_set=_named(wanted.test_set, board, services))
    ended = dataclasses.replace(
        loan,
        returned_at=services.now(),
        returned_by=holder,
        counted=dict(back.accessories) if back.accessories is not None else None,
        dropped=back.dropped,
        wet=back.wet,
        module_read=back.module,
        asked=wanted.test_set,
        reasons=list(wanted.reasons),
    )
    work.lending.end(ended)
    told = {"loan": loan.id, "set": wanted.test_set, "reasons": list(wanted.reasons), "module": module, "lacking": lacking}
    enter(board, "returned", holder, {**told, "dropped": back.dropped, "wet": back.wet}, work, services)
    _back_from_missing(board, facts, holder, work, services)
    lapsed = _swapped(board, back.module or "", holder, work, services) if module == "differs" else ()
    remark = remarks.at_the_desk(board, loan, back.remark, holder, work, services) if back.remark else None
    hold = work.desk.open_hold(board.serial)
    return TakenBack(
        ended,
        module,
        lacking,
        remark,
        hold.code if hold else None,
        SWAPPED if module == "differs" else None,
        lapsed,
        _told(board, back, module, lacking, wanted, hold),
    )


def _module(bound: str | None, read: str | None) -> str:
    if read is None:
        return "not read"
    if bound is None:
        return "none bound"
    return "agrees" if read == bound else "differs"


def _depth(
    facts: BoardFacts,
    loan: Loan,
    before: str | None,
    back: Back,
    module: str,
    lacking: Mapping[str, int] | None,
    services: Services,
) -> Depth:
    """How deep it is looked at. A hold that this return brings about counts already."""
    now = services.now()
    if facts.life.missing_since is not None or module == "differs":
        facts = dataclasses.replace(facts, hold=facts.hold or HoldFacts(SWAPPED, "", now))
    known = Return(
        number=facts.life.returns + 1,
        out=now - loan.lent_at,
        trusted=before == loan.borrower,
        remark=bool(back.remark),
        dropped=back.dropped,
        wet=back.wet,
        accessory_missing=bool(lacking),
        uncounted=lacking is None and bool(loan.accessories),
    )
    return depths.depth(facts, known, int.from_bytes(services.random(8)) % DRAWN_OF)


def _named(test_set: str, board: Board, services: Services) -> str:
    """The set by the name that the board's sheet has for it."""
    policy = services.find_sheet(board.design).policy
    return policy.first_set if test_set == "full" else test_set


def _told(
    board: Board, back: Back, module: str, lacking: Mapping[str, int] | None, wanted: Depth, hold: Hold | None
) -> tuple[str, ...]:
    """What whoever stands at the desk has to know now."""
    said = {
        "differs": f"Module {back.module} is in it; on record is {board.module}. It is held, and its certificate has lapsed.",
        "not read": "The module was not read here; the check-in run has to read it.",
    }
    missing_now = f"Lacking: {lend.told_of(lacking)}." if lacking else ""
    run = f"Check it in with the set `{wanted.test_set}`: {' '.join(wanted.reasons)}"
    held = f"It is held: {hold.reason}" if hold and module != "differs" else ""
    return tuple(text for text in (said.get(module, ""), held, missing_now, run) if text)


def _back_from_missing(board: Board, facts: BoardFacts, holder: str, work: Work, services: Services) -> None:
    """Nobody knows where it was: it is held, unless something holds it already."""
    if facts.life.missing_since is None:
        return
    work.life.find_again(board.serial, services.now())
    if facts.hold is None:
        work.desk.add_hold(board.serial, missing.HOLD, missing.TOLD, holder, services.now())
    enter(board, "found-again", holder, {"code": missing.HOLD}, work, services)


def _swapped(board: Board, read: str, holder: str, work: Work, services: Services) -> tuple[str, ...]:
    """Another module is in the carrier: a finding, a lapse and a hold; the bound one stays on record."""
    now, text = services.now(), f"Module {read} was read at the return; the record says {board.module}."
    lapsed = tuple(work.desk.lapse(board.serial, SWAPPED, now))
    work.evidence.add_findings(board.serial, None, None, [Finding("module-differs", text)], now)
    if work.desk.open_hold(board.serial) is None:
        work.desk.add_hold(board.serial, SWAPPED, text, holder, now)
    facts = {"code": SWAPPED, "module": read, "bound": board.module, "lapsed": list(lapsed)}
    enter(board, "held", holder, facts, work, services, text)
    return lapsed


def check_in(serial: str, run: str, holder: str, work: Work, services: Services) -> CheckIn:
    """Settle a return on a run. An out holds the board and lapses its certificate. Raises CheckInRefused."""
    board, now = board_of(serial, work, services), services.now()
    facts, found = facts_of(board, work, services), run_of(run, work, services)
    loan = _waits(board, facts, found, services)
    assessment = standing.assessment_of(found, board, work, services)
    restorable = _restorable(board, facts, loan, work, services)
    certificate = restorable or facts.certificate
    in_force = certificate is not None and certificate.lapse is None and certificate.valid_until > now
    known = _circumstances(board, facts, found, restorable is not None and in_force, work, services)
    outcome = decide(certificate, in_force, assessment, found.ended_at(now) is not None, known)
    if outcome.outcome != "held" or outcome.lapse is None:
        _deep_enough(loan, found, board, services)
    _record(board, loan, run, outcome, holder, work, services)
    return dataclasses.replace(outcome, moved=_moved(facts, assessment, board, work, services))


def _waits(board: Board, facts: BoardFacts, found: Run, services: Services) -> LoanFacts:
    """The loan whose return this run settles. Raises CheckInRefused."""
    policy, state = services.find_sheet(board.design).policy, fitness(facts, services.now()).state
    if found.serial != board.serial or found.test_set not in depths.ladder(policy):
        raise CheckInRefused(f"Run {found.id} is no check-in run of {board.serial}.", run=found.id)
    if state in GONE:
        raise CheckInRefused(refusal(Act.CHECK_IN, state, board.serial)[0].what, serial=board.serial)
    if not facts.awaits_check_in or facts.loan is None or facts.loan.returned_at is None:
        raise CheckInRefused(f"{board.serial} does not wait for a check-in.", serial=board.serial)
    if found.opened_at < facts.loan.returned_at:
        raise CheckInRefused(f"Run {found.id} was opened before the board came back.", run=found.id)
    return facts.loan


def _restorable(board: Board, facts: BoardFacts, loan: LoanFacts, work: Work, services: Services) -> CertificateFacts | None:
    """The newest certificate as it would stand, if nothing but an incomplete check-in of this return ended it."""
    held = work.desk.newest_certificate(board.serial)
    if held is None or held.lapse != CHECKIN_INCOMPLETE or held.lapsed_at is None or loan.returned_at is None:
        return None
    repaired_since = facts.repaired_at is not None and facts.repaired_at > held.issued_at
    if held.lapsed_at < loan.returned_at or repaired_since:
        return None
    return certificate_facts(dataclasses.replace(held, lapse=None, lapsed_at=None), board, work, services)


def _circumstances(
    board: Board, facts: BoardFacts, found: Run, restorable: bool, work: Work, services: Services
) -> Circumstances:
    first_set, modules = services.find_sheet(board.design).policy.first_set, set(found.summary.get("modules", ()))
    loan = work.desk.newest_loan(board.serial)
    read_at_desk = loan is not None and loan.module_read is not None
    return Circumstances(
        whole=found.test_set == first_set,
        remark_waiting=facts.life.remark_waiting,
        module_read=read_at_desk or bool(modules),
        strangers=tuple(sorted(modules - {board.module})) if board.module else (),
        restorable=restorable,
        held=facts.hold.reason if facts.hold else None,
    )


def _deep_enough(loan: LoanFacts, found: Run, board: Board, services: Services) -> None:
    """An out counts in any set; short of that, the run is as deep as the return asked for. Raises CheckInRefused."""
    policy = services.find_sheet(board.design).policy
    if loan.asked is None or depths.deep_enough(found.test_set, loan.asked, policy):
        return
    why = " ".join(loan.reasons)
    told = f"Run {found.id} is of the set `{found.test_set}`; this return asks for `{loan.asked}`. {why}"
    raise CheckInRefused(told.strip(), run=found.id, needed=loan.asked, reasons=list(loan.reasons))


def _moved(facts: BoardFacts, assessment: Assessment, board: Board, work: Work, services: Services) -> tuple[str, ...]:
    return moved_since_build(facts, assessment, board, work, services)


def _record(board: Board, loan: LoanFacts, run: str, outcome: CheckIn, holder: str, work: Work, services: Services) -> None:
    now = services.now()
    lapsed = list(work.desk.lapse(board.serial, outcome.lapse, now)) if outcome.lapse else []
    restored = list(work.desk.restore(board.serial, CHECKIN_INCOMPLETE, loan.returned_at or now)) if outcome.restored else []
    if outcome.outcome == "held" and work.desk.open_hold(board.serial) is None:
        work.desk.add_hold(board.serial, outcome.lapse or "held", outcome.sentence, holder, now)
    work.desk.add_check_in(board.serial, run, outcome.outcome, outcome.sentence, holder, now)
    facts: dict[str, Any] = {"run": run, "outcome": outcome.outcome, "lapse": outcome.lapse, "lapsed": lapsed}
    enter(board, "checked-in", holder, {**facts, "restored": restored}, work, services, outcome.sentence)
