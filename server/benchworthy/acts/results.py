"""The results document of a certificate: every value, its uncertainty, rule, people and evidence, as JSON."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from benchworthy.acts.runs import answered_by
from benchworthy.designs.agent_release import release_for
from benchworthy.designs.sheet import Sheet
from benchworthy.desk.life import SignOff, WaiverFacts
from benchworthy.history.records import Board, Run
from benchworthy.judging.decision import RULE, Verdict
from benchworthy.judging.run import Assessment, decides_nothing
from benchworthy.judging.tests import Outcome
from benchworthy.ports import Services, Work

RULE_NAME = "BW-1"
ONE_PERSON = "One person did what two do elsewhere: whoever inspected the board, or a stage of it, also built or tested it."
_SEEN = (Verdict.IN_LIMITS, Verdict.MARGINAL, Verdict.OUT)


@dataclass(frozen=True, slots=True)
class Issue:
    """What is decided when a certificate is issued."""

    id: str
    issued: datetime
    until: datetime
    authorised: str
    no_fault_found: tuple[str, ...]
    waivers: tuple[WaiverFacts, ...] = ()
    one_person: bool = False
    built: tuple[SignOff, ...] = ()
    fixtures_not_checked: tuple[str, ...] = ()


def results_document(
    issue: Issue, board: Board, run: Run, assessment: Assessment, sheet: Sheet, work: Work, services: Services
) -> str:
    """The results, after ISO/IEC 17025:2017, 7.8.2.1 as far as it applies; its SHA-256 stands in the certificate."""
    tested = [outcome for outcome in assessment.outcomes.values() if not _left_out(sheet, outcome)]
    let_go = {waiver.test: waiver for waiver in issue.waivers}
    document = {
        "title": "Certificate of fitness to lend: results",
        "id": issue.id,
        "place": services.site,
        "notice": _notice(board),
        "item": {
            "serial": board.serial,
            "design": sheet.title,
            "module": board.module,
            "kit_lot": board.kit_lot,
            "virtual": board.virtual,
        },
        "method": _method(run, sheet, tested, services),
        "rule": {"name": RULE_NAME, "text": RULE},
        "dates": {
            "opened": run.opened_at.isoformat(),
            "closed": (run.ended_at(issue.issued) or issue.issued).isoformat(),
            "issued": issue.issued.isoformat(),
            "valid_until": issue.until.isoformat(),
        },
        "people": {
            "opened": run.opened_by,
            "authorised": issue.authorised,
            "answered": answered_by(run, work),
            **({"one_person": ONE_PERSON} if issue.one_person else {}),
        },
        "bench": run.bench,
        "fixtures": list(run.fixtures),
        **({"fixtures_not_checked": list(issue.fixtures_not_checked)} if issue.fixtures_not_checked else {}),
        "run": run.id,
        "no_fault_found": list(issue.no_fault_found),
        "waivers": [_waiver(sheet, assessment, waiver) for waiver in issue.waivers],
        "stages": [_stage(sheet, sign) for sign in issue.built],
        "evidence": [
            {"digest": i.digest, "author": str(i.author), "part": i.part, "arrival": i.arrival}
            for i in work.evidence.of_run(run.id)
        ],
        "results": [_result(sheet, outcome, let_go.get(outcome.test)) for outcome in tested],
        "not_tested_in_this_run": [
            {"test": outcome.test, "title": sheet.tests[outcome.test].title, "reason": outcome.sentence}
            for outcome in assessment.outcomes.values()
            if _left_out(sheet, outcome)
        ],
        "end": "End of the results.",
    }
    return json.dumps(document, indent=1, sort_keys=True)


def _notice(board: Board) -> str:
    virtual = "VIRTUAL: this board is a simulation; nothing was measured on hardware. " if board.virtual else ""
    plain = "This is no accredited calibration and no mains-safety inspection. The results relate only to this board as tested."
    return virtual + plain


def said_by(document: str) -> dict[str, Any]:
    """What a certificate shows of its results document: how much was tested, which tests were let go, whether by one person."""
    known = json.loads(document)
    return {
        "coverage": str(known["method"]["coverage"]),
        "waived": [waiver["test"] for waiver in known.get("waivers", ())],
        "one_person": "one_person" in known["people"],
    }


def _waiver(sheet: Sheet, assessment: Assessment, waiver: WaiverFacts) -> dict[str, Any]:
    outcome = assessment.outcomes.get(waiver.test)
    return {
        "number": waiver.number,
        "test": waiver.test,
        "title": sheet.tests[waiver.test].title,
        "verdict": str(outcome.verdict if outcome else Verdict.NOT_RUN),
        "reason": waiver.reason,
        "until": waiver.until.isoformat(),
        "by": waiver.by,
    }


def _stage(sheet: Sheet, sign: SignOff) -> dict[str, Any]:
    title = sheet.stages[sign.stage].title if sign.stage in sheet.stages else f"Stage {sign.stage}"
    return {
        "stage": sign.stage,
        "title": title,
        "builder": sign.builder,
        "inspector": sign.inspector,
        "signed": sign.at.isoformat(),
    }


def _method(run: Run, sheet: Sheet, tested: Sequence[Outcome], services: Services) -> dict[str, Any]:
    return {
        "sheet": sheet.name,
        "judging": sheet.judging_hash,
        "guide": sheet.guide_hash,
        "set": run.test_set,
        "coverage": f"{sum(o.verdict in _SEEN for o in tested)} of the {sheet.catalogue} tests of the catalogue",
        "agent": release_for(sheet, services.agent).hash,
        "agent_version": release_for(sheet, services.agent).version,
    }


def _left_out(sheet: Sheet, outcome: Outcome) -> bool:
    """A test that may be left out, and was: it is named with its reason, never as a result."""
    return outcome.verdict is Verdict.NOT_RUN and decides_nothing(sheet.tests[outcome.test], outcome.verdict)


def _result(sheet: Sheet, outcome: Outcome, waiver: WaiverFacts | None) -> dict[str, Any]:
    test = sheet.tests[outcome.test]
    return {
        "test": outcome.test,
        "title": test.title,
        "author": str(test.author),
        "verdict": str(outcome.verdict),
        "counts": str(test.counts),
        "conditions": sorted(test.needs),
        "remark": outcome.sentence,
        **({"waived": f"until {waiver.until:%Y-%m-%d} by {waiver.by}"} if waiver else {}),
        "quantities": [
            {
                "name": q.name,
                "value": f"{q.value:.7g}",
                "unit": q.unit,
                "low": q.low,
                "high": q.high,
                "source": q.source,
                "expanded_uncertainty": f"{q.expanded:.2g}",
                "coverage_factor": 2,
                "conformity": round(q.conformity, 6),
                "verdict": str(q.verdict),
            }
            for q in outcome.quantities
        ],
    }
