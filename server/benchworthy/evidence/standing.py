"""A run as it stands: the stored evidence read back, judged together, and put into the run's short summary."""

import dataclasses
import json
from typing import Any

from benchworthy.designs.agent_release import release_for
from benchworthy.designs.half_built import as_built
from benchworthy.history.records import Board, Evidence, Run
from benchworthy.judging.decision import Verdict
from benchworthy.judging.run import Assessment, Need, assess
from benchworthy.judging.run import Evidence as RunEvidence
from benchworthy.judging.tests import Expected
from benchworthy.ports import Services, Work
from benchworthy.reports import token as tokens
from benchworthy.reports.report import Author, Reading

_SIGNED = (Author.BOARD, Author.BENCH)


def assessment_of(run: Run, board: Board, work: Work, services: Services) -> Assessment:
    """Judge everything that has arrived for a run by the sheet in force; tests waived at this moment decide nothing."""
    sheet = as_built(services.find_sheet(run.design), run.test_set)
    gathered = gather(run, work, services)
    found = assess(sheet, run.test_set, gathered, Expected(board.module, release_for(sheet, services.agent)))
    waived = frozenset(waiver.test for waiver in work.waivers.standing(board.serial, services.now()))
    found = found.without(waived) if waived else found
    ticket = work.tickets.find(run.id)
    if ticket is None or not ticket.late:
        return found
    told = f"Its ticket ended at {ticket.expires_at:%Y-%m-%d %H:%M} UTC, before the service heard of its use: open a new run."
    return dataclasses.replace(found, needs=(*found.needs, Need("ticket-expired", None, told)))


def gather(run: Run, work: Work, services: Services) -> RunEvidence:
    """Read the stored evidence of a run back into readings. The first part of an author and number counts."""
    parts: dict[tuple[Author, int], tuple[Reading, ...]] = {}
    answers: list[Reading] = []
    for item in work.evidence.of_run(run.id):
        if item.author in _SIGNED and item.part is not None:
            parts.setdefault((item.author, item.part), _signed(item, services))
        else:
            answers += _answered(item)
    return RunEvidence(parts, tuple(answers), work.runs.draws(run.id))


def _signed(item: Evidence, services: Services) -> tuple[Reading, ...]:
    return services.read_report(tokens.split(item.raw).payload).readings


def _answered(item: Evidence) -> list[Reading]:
    """Answers are stored in the form this program wrote, so they are read without a schema."""
    return [Reading(**answer) for answer in json.loads(item.raw)["answers"]]


def summary_of(assessment: Assessment, found_modules: tuple[str, ...]) -> dict[str, Any]:
    """What the desk needs of a run without judging it again. An out stays an out, also of a test that was let go."""
    files = assessment.outcomes.get("MCU-FW")
    kept = [o for o in assessment.outcomes.values() if o.verdict is Verdict.OUT and o.test not in assessment.idle]
    return {
        "complete": assessment.complete,
        "verdict": str(assessment.verdict) if assessment.verdict else None,
        "outs": sorted(outcome.test for outcome in kept),
        "in_limits": sorted(outcome.test for outcome in assessment.with_verdict(Verdict.IN_LIMITS)),
        "secrets_absent": files is not None and files.verdict is Verdict.IN_LIMITS,
        "modules": list(found_modules),
    }


def refresh(run: Run, board: Board, work: Work, services: Services) -> Assessment:
    """Judge the run again after an arrival and keep its summary."""
    assessment = assessment_of(run, board, work, services)
    modules = tuple(sorted({item.module for item in work.evidence.of_run(run.id) if item.module}))
    work.runs.summarise(run.id, summary_of(assessment, modules))
    return assessment
