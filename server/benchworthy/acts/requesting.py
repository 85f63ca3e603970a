"""A board in the field is asked to do something; a person gets what the installation of a board needs."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from benchworthy.acts.broker_access import broker_access
from benchworthy.acts.gather import board_of
from benchworthy.designs.loading_tests import FIELD_SET
from benchworthy.designs.plan import plan_for
from benchworthy.errors import RequestRefused, UnknownRequest
from benchworthy.evidence.recording import enter
from benchworthy.history.records import Board, Request
from benchworthy.ports import Services, Work
from benchworthy.reports import request as requests

_LARGEST = 2**31 - 1  # no database has to look for more


@dataclass(frozen=True, slots=True)
class FieldKey:
    """The board's own key, and its access to the broker where the site lets boards keep it: secrets for the board's flash."""

    board: Board
    key: str
    mqtt: Mapping[str, Any] | None


def ask(serial: str, do: str, holder: str, work: Work, services: Services) -> Request:
    """Queue a request: its record and its message in one transaction. Raises UnknownSerial, RequestRefused."""
    board = board_of(serial, work, services)
    if services.broker is None:
        raise RequestRefused("This service has no broker, so no board in the field hears it.", serial=board.serial)
    number = work.requests.last_number(board.serial) + 1
    plan = plan_for(services.find_sheet(board.design), FIELD_SET).text if do == requests.SELF_TEST else None
    key = bytes.fromhex(services.derive_field_key(board.serial, board.epoch))
    now = services.now()
    topic = f"benchworthy/v1/{services.site}/{board.serial}/request"
    letter = work.evidence.post(services.site, topic, requests.payload(number, do, plan, key), now)
    request = Request(board.serial, number, do, now, holder, letter, None)
    work.requests.add(request)
    enter(board, "requested", holder, {"n": number, "do": do}, work, services)
    return request


def find(serial: str, number: int, work: Work, services: Services) -> Request:
    """A request as it stands. Raises UnknownSerial, UnknownRequest."""
    board = board_of(serial, work, services)
    found = work.requests.find(board.serial, number) if number <= _LARGEST else None
    if found is None:
        raise UnknownRequest(f"{board.serial} was never asked for anything under number {number}.", number=number)
    return found


def field_key(serial: str, holder: str, work: Work, services: Services) -> FieldKey:
    """Tell the board's field key to whoever installs it; that it was told stands in the ledger, the key does not."""
    board = board_of(serial, work, services)
    enter(board, "field-key-told", holder, {"epoch": board.epoch}, work, services)
    return FieldKey(
        board,
        services.derive_field_key(board.serial, board.epoch),
        broker_access(board, services) if services.field_network else None,
    )
