"""What a report says beside its readings, held against the record. A finding is kept and shown; it is no verdict."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from benchworthy.reports.report import Author, EvidenceClass, Report


@dataclass(frozen=True, slots=True)
class Finding:
    """A stable code and a sentence."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class OnRecord:
    """What the record says of the board and, in a run, of the run."""

    module: str | None
    virtual: bool
    design: str
    plans: frozenset[str]
    agent_hash: str
    plugs: frozenset[str]


def findings(report: Report, author: Author, evidence: EvidenceClass, record: OnRecord) -> tuple[Finding, ...]:
    """Every disagreement between a report and the record."""
    seen: Mapping[str, Any] = report.seen or {}
    checks = (
        (
            record.module not in (None, report.module),
            Finding("module-differs", f"The report comes from module {report.module}; the record says {record.module}."),
        ),
        (
            report.design != record.design,
            Finding("design-differs", f"The report names design {report.design}; the board is a {record.design}."),
        ),
        (
            report.plan not in record.plans,
            Finding("plan-differs", f"The report follows plan {report.plan}, which this sheet does not give out."),
        ),
        (
            author is Author.BOARD and report.agent_hash != record.agent_hash,
            Finding("agent-differs", f"The agent calls itself {report.agent_hash}; approved is {record.agent_hash}."),
        ),
        (
            bool(seen.get("stand_in")) and not record.virtual,
            Finding("stand-in-found", "The module is a stand-in; this board is not enrolled as virtual."),
        ),
        (
            bool(record.plugs) and seen.get("plug") is not None and seen["plug"] not in record.plugs,
            Finding(
                "plug-differs",
                f"The board sees plug {seen.get('plug')}; the run was opened with {', '.join(sorted(record.plugs))}.",
            ),
        ),
        (
            evidence is EvidenceClass.FIELD and report.run is not None,
            Finding("field-key-in-run", f"A field key signed a part for run {report.run}; it is kept as field evidence only."),
        ),
    )
    return tuple(finding for found, finding in checks if found)
