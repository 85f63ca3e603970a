"""What people and programs ask of many boards, or of much evidence, at once.

Each function that looks at standings first has those worked out that are wanting, so that an answer is never by an older
sheet; then it reads in one unit of work. Nothing here scans evidence to count.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from benchworthy.acts import standing_kept
from benchworthy.acts.gather import board_of
from benchworthy.desk import work_list
from benchworthy.desk.work_list import RENEW_WITHIN, SOON_DUE, Item
from benchworthy.errors import RequestInvalid
from benchworthy.history.read_back import FailedCheckIn, Place, ReportLine, Value
from benchworthy.history.records import Access
from benchworthy.history.standing import Placed, Share, Wanted
from benchworthy.ports import Services

MOST_TOKENS = 1000


def counts(services: Services) -> tuple[datetime, Sequence[Share]]:
    """The fleet of the site at a moment, by design and state."""
    standing_kept.catch_up(services)
    now = services.now()
    with services.storage.reading() as opened:
        return now, opened.standings.shares(services.site, now, now + RENEW_WITHIN)


def boards(
    services: Services, wanted: Wanted, after: str, limit: int, lapsing_within: int | None = None, overdue: bool = False
) -> Sequence[Placed]:
    """Boards with their standing; `lapsing_within` days their certificate ends, `overdue` their loan is past its date."""
    standing_kept.catch_up(services)
    now = services.now()
    if lapsing_within is not None:
        wanted = replace(wanted, lapsing=(now, now + timedelta(days=lapsing_within)))
    if overdue:
        wanted = replace(wanted, overdue=now)
    with services.storage.reading() as opened:
        return opened.standings.placed(services.site, wanted, now, after, limit)


def work(services: Services, holder: str | None, role: str | None, minutes: int | None) -> Sequence[Item]:
    """What waits, for everybody or for one person, and of that what fits into the time. Raises RequestInvalid."""
    standing_kept.catch_up(services)
    now = services.now()
    with services.storage.reading() as opened:
        roles = _roles(opened.registry.accesses(services.site, "", MOST_TOKENS), holder, now) if holder is not None else None
        found = opened.standings.waiting(services.site, now, now + SOON_DUE, now + RENEW_WITHIN)
    sheets = {board.board.design: services.find_sheet(board.board.design) for board in found}
    items = work_list.work_list(found, sheets, now)
    for one in (roles, frozenset({role}) if role is not None else None):
        items = work_list.by_roles(items, one) if one is not None else items
    return work_list.fitting(items, minutes) if minutes is not None else items


def _roles(accesses: Sequence[Access], holder: str, now: datetime) -> frozenset[str]:
    """The roles of a person's tokens that open something now. Raises RequestInvalid."""
    own = [one for one in accesses if one.holder == holder and one.revoked_at is None]
    roles = frozenset(one.role for one in own if one.expires_at is None or one.expires_at > now)
    if not roles:
        raise RequestInvalid(f"Nobody with the code {holder} has a token here.", errors={"holder": ["No token in use has it."]})
    return roles


def readings(
    services: Services, serial: str, test: str | None, since: datetime | None, after: Place | None, limit: int
) -> Sequence[Value]:
    """Values of one board over all its runs and field reports, oldest first. Raises UnknownSerial."""
    with services.storage.reading() as opened:
        return opened.read_back.of_board(board_of(serial, opened, services).serial, test, since, after, limit)


def fleet_readings(
    services: Services, design: str, test: str, since: datetime | None, after: Place | None, limit: int
) -> Sequence[Value]:
    """Values of one test over all boards of a design, oldest first. Raises UnknownDesign, RequestInvalid."""
    if test not in services.find_sheet(design).tests:
        raise RequestInvalid(f"The sheet of {design} has no test {test}.", errors={"test": ["It is not on this design's sheet."]})
    with services.storage.reading() as opened:
        return opened.read_back.of_test(services.site, design, test, since, after, limit)


def reports(services: Services, serial: str, before: Place | None, limit: int) -> Sequence[ReportLine]:
    """What arrived of a board, newest first. Raises UnknownSerial."""
    with services.storage.reading() as opened:
        return opened.read_back.reports(board_of(serial, opened, services).serial, before, limit)


def failed_check_ins(services: Services, days: int, before: int | None, limit: int) -> Sequence[FailedCheckIn]:
    with services.storage.reading() as opened:
        since = services.now() - timedelta(days=days)
        return opened.read_back.failed_check_ins(services.site, since, before, limit)
