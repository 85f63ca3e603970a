"""Runs, tickets for runs, and what boards are asked for, as one table of contents; see desk_actions.py."""

from collections.abc import Mapping, Sequence
from typing import Any

from benchworthy.acts import (
    requesting,
    tickets,
)
from benchworthy.acts import runs as running
from benchworthy.acts.runs import Opening
from benchworthy.history.records import Request, Run
from benchworthy.history.tickets import Ticket
from benchworthy.judging.run import Assessment
from benchworthy.ports import Services
from benchworthy.reports.report import Reading


def ask_board(services: Services, serial: str, do: str, holder: str) -> Request:
    """A board in the field is asked to test itself or to show where it is."""
    with services.storage.writing() as work:
        return requesting.ask(serial, do, holder, work, services)


def request(services: Services, serial: str, number: int) -> Request:
    with services.storage.reading() as work:
        return requesting.find(serial, number, work, services)


def field_key(services: Services, serial: str, holder: str) -> requesting.FieldKey:
    """Whoever installs a board gets its own key."""
    with services.storage.writing() as work:
        return requesting.field_key(serial, holder, work, services)


def open_run(services: Services, wanted: Opening, holder: str) -> dict[str, Any]:
    """A person opens a run; the bench gets the run key."""
    with services.storage.writing() as work:
        return running.open_run(wanted, holder, work, services)


def issue_tickets(services: Services, thumbprint: str, design: str, test_set: str, count: int, holder: str) -> Mapping[str, Any]:
    """Runs for a bench that will be away from the service."""
    with services.storage.writing() as work:
        return tickets.issue(thumbprint, design, test_set, count, holder, work, services)


def use_ticket(services: Services, run: str, told: tickets.Use, holder: str) -> bool:
    """A ticket's run opens for the board it was used for; False when that is on record already."""
    with services.storage.writing() as work:
        return tickets.use(run, told, holder, work, services)


def tickets_of(services: Services, thumbprint: str, after: str, limit: int) -> Sequence[tuple[Ticket, str]]:
    with services.storage.reading() as work:
        return tickets.listed(thumbprint, after, limit, work, services)


def draw_again(services: Services, run: str, test: str, holder: str) -> dict[str, Any]:
    with services.storage.writing() as work:
        return running.draw_again(run, test, holder, work, services)


def answer(services: Services, run: str, answers: tuple[Reading, ...], holder: str, role: str) -> Assessment:
    with services.storage.writing() as work:
        return running.answer(run, answers, holder, role, work, services)


def view_run(services: Services, run: str) -> tuple[Run, Assessment, Mapping[str, Any]]:
    """A run judged as it stands, and what it still needs."""
    with services.storage.reading() as work:
        return running.view(run, work, services)


def close_run(services: Services, run: str, holder: str) -> tuple[Run, Assessment]:
    with services.storage.writing() as work:
        return running.close(run, holder, work, services)
