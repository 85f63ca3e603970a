"""A board's standing is kept beside the record: worked out from it, and again whenever something is entered about the board."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Final

from benchworthy import __version__
from benchworthy.acts.gather import board_of, facts_of, with_runs_at
from benchworthy.desk.facts import BoardFacts
from benchworthy.desk.standing import basis_of, standing_of, turning_points
from benchworthy.errors import UnknownDesign
from benchworthy.history.records import Board
from benchworthy.history.standing import Seen, Standing
from benchworthy.ports import Services, Work
from benchworthy.reports import token as tokens
from benchworthy.reports.report import Author

AT_ONCE: Final = 5  # boards in one write transaction, so that nobody waits long for the lock
_SIGNED = (Author.BOARD, Author.BENCH)


def refresh(board: Board, work: Work, services: Services) -> None:
    """Work a board's standing out and keep it. `board` may be older than what is on record."""
    current = work.registry.board(board.serial)
    assert current is not None
    seen = work.standings.seen(board.serial)
    work.standings.keep(worked_out(current, seen or _newest_seen(board.serial, work, services), work, services))


def outdate(board: Board, work: Work, services: Services) -> None:
    """Only say that what is kept of the board holds no more: for acts on many boards, which may not keep the lock for long."""
    work.standings.outdate(board.serial)


def of_many(services: Services) -> Services:
    """For an act on many boards; afterwards catch_up() works their standings out."""
    return replace(services, keep_standing=outdate)


def fresh(serial: str, work: Work, services: Services) -> Standing:
    """The standing as the record alone gives it."""
    return worked_out(board_of(serial, work, services), _newest_seen(serial, work, services), work, services)


def worked_out(board: Board, seen: Seen | None, work: Work, services: Services) -> Standing:
    now, sheet = services.now(), services.find_sheet(board.design)
    facts = facts_of(board, work, services)
    runs = work.runs.of_board(board.serial) if any(run.closed_at is None for run in facts.runs) else ()
    ends = [run.expires_at for run in runs if run.closed_at is None]
    hold = work.desk.open_hold(board.serial) if facts.hold is not None else None

    def facts_at(moment: datetime) -> BoardFacts:
        return with_runs_at(facts, runs, moment) if runs else facts

    basis = basis_of(sheet, __version__, work.recalls.standing(services.site, board.design))
    return standing_of(
        facts_at, turning_points(facts, ends, sheet.policy, now), sheet, basis, hold.id if hold else None, seen, now
    )


def catch_up(services: Services) -> int:
    """Work out every standing that is wanting or rests on another sheet or other rules; how many there were.

    In short transactions: whoever writes meanwhile waits for a few boards at most.
    """
    done = 0
    while True:
        with services.storage.reading() as work:
            kept = work.standings.bases(services.site)
            wanted = _bases({design for design, _ in kept}, work, services)
            if all(wanted.get(design, basis) == basis for design, basis in kept):
                return done
            behind = work.standings.behind(services.site, wanted, AT_ONCE)
        with services.storage.writing() as work:
            for serial in behind:
                refresh(board_of(serial, work, services), work, services)
        done += len(behind)


def _bases(designs: Iterable[str], work: Work, services: Services) -> Mapping[str, str]:
    """What standings should rest on. A design that this version no longer brings is left out: nothing can be said of it."""
    bases = {}
    for design in designs:
        try:
            bases[design] = basis_of(services.find_sheet(design), __version__, work.recalls.standing(services.site, design))
        except UnknownDesign:
            continue
    return bases


def _newest_seen(serial: str, work: Work, services: Services) -> Seen | None:
    """What the newest signed report says of its sender."""
    for line in work.read_back.reports(serial, None, 200):
        evidence = work.evidence.find(line.report) if line.author in _SIGNED else None
        if evidence is not None:
            report = services.read_report(tokens.split(evidence.raw).payload)
            return Seen(line.report, line.at, report.firmware, report.agent_version, report.agent_hash)
    return None
