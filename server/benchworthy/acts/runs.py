"""Runs: opened by a person, filled by their authors, judged as they stand, closed."""

import dataclasses
import json
from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any

from benchworthy.acts import fixtures
from benchworthy.acts.broker_access import broker_access
from benchworthy.acts.gather import board_of, run_of
from benchworthy.acts.modules import bound_elsewhere
from benchworthy.designs.half_built import as_built
from benchworthy.designs.loading_tests import FIELD_SET
from benchworthy.designs.plan import plan_for
from benchworthy.designs.procedures import PROCEDURES
from benchworthy.designs.sheet import PartPlan, Sheet, Test, parts_of, stage_of
from benchworthy.desk.modules import of_another
from benchworthy.errors import AnswerRefused, DrawRefused, RequestInvalid, RunClosed, UnknownBench
from benchworthy.evidence import standing
from benchworthy.evidence.gate import canonical
from benchworthy.evidence.recording import enter
from benchworthy.history.records import Bench, Board, Evidence, Run
from benchworthy.judging import draws
from benchworthy.judging.draws import Draw
from benchworthy.judging.findings import Finding
from benchworthy.judging.run import Assessment
from benchworthy.ports import Services, Work
from benchworthy.reports import token as tokens
from benchworthy.reports.report import Author, EvidenceClass, Reading


@dataclasses.dataclass(frozen=True, slots=True)
class Opening:
    """What a person gives to open a run. `fixtures` are `kind:serial` texts, such as TP-4:TP4-0007."""

    serial: str
    test_set: str
    bench: str
    scanned: str
    fixtures: tuple[str, ...]


def open_run(wanted: Opening, holder: str, work: Work, services: Services) -> dict[str, Any]:
    """Open a run and return all that the bench needs, the run key included. Raises UnknownBench, RequestInvalid,
    UnknownFixture, FixtureHeld.
    """
    board = board_of(wanted.serial, work, services)
    sheet = services.find_sheet(board.design)
    bench_of(wanted.bench, work, services)
    check_set(wanted.test_set, sheet)
    check_scan(wanted.serial, wanted.scanned)
    fixtures.take_up(wanted.fixtures, board, work, services)
    run = _new_run(wanted, board, sheet, holder, services)
    drawn = [draw(test, None, services) for test in sheet.tests_of(run.test_set) if PROCEDURES[test.procedure].drawn]
    add(run, drawn, work, services)
    enter(board, "run-opened", holder, opening_facts(run), work, services)
    return _handed_out(run, board, sheet, drawn, services)


def add(run: Run, drawn: Sequence[Draw], work: Work, services: Services) -> None:
    """Put a run on record, with its fixtures and first draws."""
    work.runs.add(run)
    for first in drawn:
        work.runs.add_draw(run.id, first, services.now())


def opening_facts(run: Run) -> dict[str, Any]:
    """What the ledger says of an opened run."""
    return {"run": run.id, "set": run.test_set, "bench": run.bench, "fixtures": list(run.fixtures), "judging": run.judging}


def bench_of(thumbprint: str, work: Work, services: Services) -> Bench:
    """A bench whose key vouches. Raises UnknownBench."""
    bench = work.registry.bench(thumbprint)
    if bench is None or bench.revoked_at is not None or bench.site != services.site:
        raise UnknownBench(f"No bench {thumbprint} is registered.", bench=thumbprint)
    return bench


def check_set(test_set: str, sheet: Sheet) -> None:
    """Raises RequestInvalid."""
    sets = [*(name for name in sheet.sets if name != FIELD_SET), *sheet.stage_sets]
    if test_set not in sets:
        raise RequestInvalid(f"No run has the set {test_set!r}.", errors={"set": [f"One of {', '.join(sets)}."]})


def check_scan(serial: str, scanned: str) -> None:
    """Raises RequestInvalid."""
    if scanned != serial:
        raise RequestInvalid(
            f"The scanned label {scanned} is not {serial}.", errors={"scanned": ["Scan the label of this board."]}
        )


def _new_run(wanted: Opening, board: Board, sheet: Sheet, holder: str, services: Services) -> Run:
    now = services.now()
    return Run(
        id=f"r-{services.random(10).hex()}",
        serial=board.serial,
        site=services.site,
        test_set=wanted.test_set,
        design=board.design,
        judging=sheet.judging_hash,
        guide=sheet.guide_hash,
        bench=wanted.bench,
        scanned=wanted.scanned,
        nonce=services.random(16).hex(),
        opened_by=holder,
        opened_at=now,
        expires_at=now + timedelta(hours=sheet.policy.run_hours),
        closed_at=None,
        closed_by=None,
        fixtures=wanted.fixtures,
        summary={},
    )


def draw(test: Test, before: Draw | None, services: Services) -> Draw:
    """Draw a stimulus that habit cannot answer; a second one differs from the first."""
    chance = int.from_bytes(services.random(4))
    return draws.draw(test, 2 if before else 1, before.stimulus if before else None, chance)


def _part(sheet: Sheet, part: PartPlan) -> dict[str, Any]:
    """A part for the bench, with the hazard of each of its tests that may move something."""
    hazards = {test: sheet.tests[test].hazard for test in part.tests if PROCEDURES[sheet.tests[test].procedure].pulse_ms}
    return {
        "author": part.author,
        "number": part.number,
        "tests": list(part.tests),
        "phase": part.phase,
        "fixtures": list(part.fixtures),
        "hazards": hazards,
    }


def _asked(test: Test) -> dict[str, Any]:
    """What a person is asked or does: for a meter with several quantities their names, for a check list its items."""
    more: dict[str, Any] = {"items": list(test.parameters["items"])} if test.procedure == "checklist" else {}
    if test.procedure == "meter":
        more = {"quantities": [{"name": quantity.name, "unit": quantity.unit} for quantity in test.quantities]}
    return {
        "test": test.id,
        "title": test.title,
        "author": test.author,
        "procedure": test.procedure,
        "phase": test.phase,
        "needs": sorted(test.needs),
        "ask": test.ask,
        "caution": test.caution,
        "action": test.action,
        "hazard": test.hazard,
        **more,
    }


def _handed_out(run: Run, board: Board, sheet: Sheet, drawn: Sequence[Draw], services: Services) -> dict[str, Any]:
    return {
        "run": run.id,
        "nonce": run.nonce,
        "key": services.derive_run_key(run.id, run.nonce),
        "expires": run.expires_at,
        "epoch": board.epoch,
        "virtual": board.virtual,
        "draws": [told_draw(one) for one in drawn],
        "mqtt": broker_access(board, services),
        **from_sheet(sheet, run.test_set),
    }


def told_draw(drawn: Draw) -> dict[str, Any]:
    """A draw as the bench gets it."""
    return {"test": drawn.test, "draw": drawn.number, "stimulus": dict(drawn.stimulus)}


def from_sheet(sheet: Sheet, test_set: str) -> dict[str, Any]:
    """What a bench needs for a run, and what is the same in every run of this set."""
    people, sheet = (Author.OPERATOR, Author.INSPECTOR), as_built(sheet, test_set)
    return {
        "design": sheet.name,
        "plan": plan_for(sheet, test_set).text,
        "parts": [_part(sheet, part) for part in parts_of(sheet, test_set)],
        "ask": [_asked(t) for t in sheet.tests_of(test_set) if t.author in people or t.action],
        "state_files": dict(sheet.state_files),
        "stage": _stage(sheet, test_set),
    }


def _stage(sheet: Sheet, test_set: str) -> dict[str, Any] | None:
    """What a builder looks at before the power comes on; None for a run of a whole board."""
    stage = sheet.stages.get(stage_of(test_set) or 0)
    if stage is None:
        return None
    return {name: getattr(stage, name) for name in ("number", "title", "critical", "before_power", "first_power", "expected")}


def _open(run: str, work: Work, services: Services) -> tuple[Run, Board]:
    found = run_of(run, work, services)
    if found.closed_at is not None or found.expires_at <= services.now():
        raise RunClosed(f"Run {found.id} is closed.", run=found.id)
    return found, board_of(found.serial, work, services)


def draw_again(run: str, test: str, holder: str, work: Work, services: Services) -> dict[str, Any]:
    """The second draw after a wrong answer. Raises DrawRefused, RunClosed."""
    found, board = _open(run, work, services)
    assessment = standing.assessment_of(found, board, work, services)
    if not any(need.code == "second-draw" and need.test == test for need in assessment.needs):
        raise DrawRefused(f"{test} does not wait for a second draw in run {run}.", test=test)
    number = 1 + sum(draw.test == test for draw in work.runs.draws(run))
    if number > 2:
        raise DrawRefused(f"The second draw of {test} was made already.", test=test)
    before = next((draw for draw in work.runs.draws(run) if draw.test == test), None)
    ticket = work.tickets.find(run)
    # Away from the service the second draw of a ticket was shown already, if any was.
    second = (ticket.drawn(test, number) if ticket else None) or draw(
        services.find_sheet(found.design).tests[test], before, services
    )
    work.runs.add_draw(run, second, services.now())
    enter(board, "drawn-again", holder, {"run": run, "test": test}, work, services)
    return told_draw(second)


def answer(run: str, answers: tuple[Reading, ...], holder: str, role: str, work: Work, services: Services) -> Assessment:
    """Store what a person answered. Raises AnswerRefused when a test is not theirs, or its draw is answered or not drawn."""
    found, board = _open(run, work, services)
    sheet = services.find_sheet(found.design)
    taken = {(given.test, given.draw) for given in standing.gather(found, work, services).answers}
    draws = {(draw.test, draw.number) for draw in work.runs.draws(run)}
    authors = {_author(given, sheet, role, taken, draws) for given in answers}
    if len(authors) != 1:
        raise AnswerRefused("Operator's and inspector's answers come apart, each by its own person.")
    body = canonical({"run": run, "holder": holder, "answers": [_plain(given) for given in answers]})
    evidence = Evidence(
        digest=tokens.digest(body),
        serial=board.serial,
        run=run,
        author=authors.pop(),
        part=None,
        evidence_class=EvidenceClass.BENCH,
        kid=f"t.{holder}",
        holder=holder,
        raw=body,
        module=None,
        epoch=None,
        boot=None,
        seq=None,
        arrival="http",
        received_at=services.now(),
        receipt="",
    )
    work.evidence.add(evidence)
    assessment = standing.refresh(found, board, work, services)
    told = [assessment.outcomes[given.test] for given in answers if given.test in assessment.outcomes]
    work.evidence.add_verdicts(evidence.digest, sheet.judging_hash, told)
    facts = {"digest": evidence.digest, "run": run, "author": str(evidence.author), "tests": sorted(g.test for g in answers)}
    enter(board, "answered", holder, facts, work, services)
    return assessment


def _author(given: Reading, sheet: Sheet, role: str, taken: set[tuple[str, int]], draws: set[tuple[str, int]]) -> Author:
    test = sheet.tests.get(given.test)
    if test is None or test.author not in (Author.OPERATOR, Author.INSPECTOR):
        raise AnswerRefused(f"{given.test} is no test that a person answers.", test=given.test)
    if test.author is Author.INSPECTOR and role not in ("inspector", "coordinator"):
        raise AnswerRefused(f"{given.test} is answered by an inspector, not by a {role}.", test=given.test)
    if (given.test, given.draw) in taken:
        raise AnswerRefused(f"{given.test}, draw {given.draw}, has been answered; the first answer stays.", test=given.test)
    if PROCEDURES[test.procedure].drawn and (given.test, given.draw) not in draws:
        raise AnswerRefused(f"Draw {given.draw} of {given.test} was not made.", test=given.test)
    return test.author


def _plain(given: Reading) -> dict[str, Any]:
    plain = {
        "test": given.test,
        "draw": given.draw,
        "text": given.text,
        "number": given.number,
        "items": dict(given.items) if given.items else None,
        "not_run": given.not_run,
    }
    return {key: value for key, value in plain.items() if value is not None}


def close(run: str, holder: str, work: Work, services: Services) -> tuple[Run, Assessment]:
    """Freeze a run. The first complete run whose module was read at the bench binds that module to the serial number."""
    found, board = _open(run, work, services)
    assessment = standing.refresh(found, board, work, services)
    work.runs.close(run, services.now(), holder)
    if board.module is None and assessment.complete:
        _bind(found, board, holder, work, services)
    facts = {"run": run, "complete": assessment.complete, "verdict": str(assessment.verdict) if assessment.verdict else None}
    facts |= {"waived": sorted(assessment.waived)} if assessment.waived else {}
    enter(board, "run-closed", holder, facts, work, services)
    return run_of(run, work, services), assessment


def _bind(run: Run, board: Board, holder: str, work: Work, services: Services) -> None:
    read = {i.module for i in work.evidence.of_run(run.id) if i.author is Author.BENCH and i.module}
    module = read.pop() if len(read) == 1 else None
    if module is None:
        return
    owner = bound_elsewhere(module, board.serial, work)
    if owner is not None:
        unmet = of_another(module, owner)
        found = Finding(unmet.code, f"{unmet.what} {unmet.next}")
        work.evidence.add_findings(board.serial, run.id, None, [found], services.now())
        return
    work.registry.bind_module(board.serial, board.epoch, module, run.id, services.now())
    enter(board, "module-bound", holder, {"module": module, "epoch": board.epoch, "run": run.id}, work, services)


def view(run: str, work: Work, services: Services) -> tuple[Run, Assessment, Mapping[str, Any]]:
    """A run judged as it stands, with who delivered what."""
    found = run_of(run, work, services)
    board = board_of(found.serial, work, services)
    arrived = [
        {"author": str(i.author), "part": i.part, "digest": i.digest, "arrival": i.arrival, "holder": i.holder}
        for i in work.evidence.of_run(run)
    ]
    findings = [{"code": code, "text": text} for code, text, where in work.evidence.findings(board.serial) if where == run]
    return found, standing.assessment_of(found, board, work, services), {"arrived": arrived, "findings": findings}


def people_of(run: Run, work: Work) -> tuple[frozenset[str], frozenset[str]]:
    """Holder codes that opened or answered as operator, and those that inspected."""
    items = work.evidence.of_run(run.id)
    ticket = work.tickets.find(run.id)
    at_the_bench = {ticket.tested_by} if ticket and ticket.tested_by else set()
    operators = {run.opened_by} | at_the_bench | {item.holder for item in items if item.author is Author.OPERATOR}
    return frozenset(operators), frozenset(item.holder for item in items if item.author is Author.INSPECTOR)


def answered_by(run: Run, work: Work) -> Mapping[str, str]:
    """Test to the code of the person who answered it."""
    found: dict[str, str] = {}
    for item in work.evidence.of_run(run.id):
        if item.author in (Author.OPERATOR, Author.INSPECTOR):
            found |= {given["test"]: item.holder for given in json.loads(item.raw)["answers"]}
    return found
