"""What field evidence does to a certificate: a first out raises doubt, the same test out twice in a row lapses it.

Field evidence never certifies and never clears: whoever has a board may have its key. So a doubt stays until a bench
found the test in limits, whatever the board says of itself later.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from benchworthy.desk.facts import RunSummary, Unmet

APART: Final = timedelta(minutes=10)  # of two reports of one start; the project's own choice


@dataclass(frozen=True, slots=True)
class FieldReport:
    """A field report as it was judged: the tests that came to a verdict, and those of them that were out."""

    digest: str
    module: str
    boot: int
    seq: int
    received_at: datetime
    judged: frozenset[str]
    outs: frozenset[str]


@dataclass(frozen=True, slots=True)
class FieldLapse:
    """Why the certificate lapses, in a sentence, and the reports it rests on."""

    sentence: str
    tests: tuple[str, ...]
    reports: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FieldOut:
    """A test that was out in the field, with the first and the newest time since the certificate."""

    test: str
    first: datetime
    newest: datetime
    times: int


def decide(reports: Sequence[FieldReport], module: str | None, runs: Iterable[RunSummary]) -> FieldLapse | None:
    """The newest report, with those before it since the certificate, newest first: does the certificate lapse by it?"""
    spans = tuple(runs)
    away = [report for report in reports if not _at_bench(report.received_at, spans)]
    if not reports or not away or away[0] != reports[0]:
        return None
    newest = away[0]
    if module is not None and newest.module != module:
        told = f"In the field the board's key was used by module {newest.module}; on record is {module}."
        return FieldLapse(told, (), (newest.digest,))
    again = {test: before for test in sorted(newest.outs) if (before := _out_before(test, newest, away[1:])) is not None}
    if not again:
        return None
    first = min(before.received_at for before in again.values())
    told = f"{', '.join(again)} out in two field reports in a row, of {first:%Y-%m-%d %H:%M} and {newest.received_at:%H:%M} UTC."
    digests = dict.fromkeys((*(before.digest for before in again.values()), newest.digest))
    return FieldLapse(told, tuple(again), tuple(digests))


def _out_before(test: str, newest: FieldReport, before: Sequence[FieldReport]) -> FieldReport | None:
    """The report before the newest that judged this test, if it was out there too, and the two are apart."""
    for report in before:
        if test not in report.judged:
            continue
        if test not in report.outs:
            return None
        if report.boot != newest.boot or newest.received_at - report.received_at >= APART:
            return report
    return None


def _at_bench(moment: datetime, runs: Sequence[RunSummary]) -> bool:
    """While a run is open somebody has the board in hand, and may be pulling things off it."""
    return any(run.opened_at <= moment and (run.closed_at is None or moment < run.closed_at) for run in runs)


def doubts(outs: Iterable[FieldOut], runs: Sequence[RunSummary]) -> tuple[Unmet, ...]:
    """Remarks, no unmet conditions: tests out in the field that no complete run since found in limits."""
    return tuple(
        Unmet(
            "field-out",
            f"{out.test} was out in the field {'once' if out.times == 1 else f'{out.times} times'}, "
            f"last on {out.newest:%Y-%m-%d %H:%M} UTC.",
            out.test,
            "Ask the board to test itself again, or look at it when it is back; a second out in a row lapses its certificate.",
        )
        for out in outs
        if not any(run.complete and run.opened_at > out.newest and out.test in run.in_limits for run in runs)
    )


def other_software(told: Iterable[tuple[str, datetime]], serial: str, runs: Sequence[RunSummary]) -> tuple[Unmet, ...]:
    """A field report names another program, and nothing says that it is younger than the certificate's run. A complete run
    after it settles that: had it seen the other program, the certificate would have lapsed."""
    advice = "Look at the board when it is back; POST /api/v1/approved-firmware declares a program compatible."
    return tuple(
        Unmet("software-differs", text, serial, advice)
        for text, at in told
        if not any(run.complete and run.opened_at > at for run in runs)
    )
