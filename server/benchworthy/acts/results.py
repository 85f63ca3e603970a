"""The results document of a certificate: every value, its uncertainty, rule, people and evidence, as JSON."""

import json
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from benchworthy.acts.runs import answered_by
from benchworthy.designs.sheet import Sheet
from benchworthy.history.records import Board, Run
from benchworthy.judging.decision import RULE
from benchworthy.judging.run import Assessment
from benchworthy.judging.tests import Outcome
from benchworthy.ports import Services, Work

RULE_NAME = "BW-1"


@dataclass(frozen=True, slots=True)
class Issue:
    """What is decided when a certificate is issued."""

    id: str
    issued: datetime
    until: datetime
    authorised: str
    no_fault_found: tuple[str, ...]


def results_document(
    issue: Issue, board: Board, run: Run, assessment: Assessment, sheet: Sheet, work: Work, services: Services
) -> str:
    """The results, after ISO/IEC 17025:2017, 7.8.2.1 as far as it applies; its SHA-256 stands in the certificate."""
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
        "method": _method(run, sheet, services),
        "rule": {"name": RULE_NAME, "text": RULE},
        "dates": {
            "opened": run.opened_at.isoformat(),
            "closed": (run.ended_at(issue.issued) or issue.issued).isoformat(),
            "issued": issue.issued.isoformat(),
            "valid_until": issue.until.isoformat(),
        },
        "people": {"opened": run.opened_by, "authorised": issue.authorised, "answered": answered_by(run, work)},
        "bench": run.bench,
        "fixtures": list(run.fixtures),
        "run": run.id,
        "no_fault_found": list(issue.no_fault_found),
        "evidence": [
            {"digest": i.digest, "author": str(i.author), "part": i.part, "arrival": i.arrival}
            for i in work.evidence.of_run(run.id)
        ],
        "results": [_result(sheet, outcome) for outcome in assessment.outcomes.values()],
        "end": "End of the results.",
    }
    return json.dumps(document, indent=1, sort_keys=True)


def _notice(board: Board) -> str:
    virtual = "VIRTUAL: this board is a simulation; nothing was measured on hardware. " if board.virtual else ""
    plain = "This is no accredited calibration and no mains-safety inspection. The results relate only to this board as tested."
    return virtual + plain


def _method(run: Run, sheet: Sheet, services: Services) -> dict[str, Any]:
    return {
        "sheet": sheet.name,
        "judging": sheet.judging_hash,
        "guide": sheet.guide_hash,
        "set": run.test_set,
        "coverage": sheet.coverage,
        "agent": services.agent.hash,
        "agent_version": services.agent.version,
    }


def _result(sheet: Sheet, outcome: Outcome) -> dict[str, Any]:
    test = sheet.tests[outcome.test]
    return {
        "test": outcome.test,
        "title": test.title,
        "author": str(test.author),
        "verdict": str(outcome.verdict),
        "conditions": sorted(test.needs),
        "remark": outcome.sentence,
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
