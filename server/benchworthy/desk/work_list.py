"""What waits to be done, board by board: the one next act, whose it is, how long it ties a person, and what settles it."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from benchworthy.designs.effort import Effort
from benchworthy.designs.sheet import Sheet
from benchworthy.desk.facts import LoanFacts
from benchworthy.desk.next_act import Task
from benchworthy.desk.overdue import overdue
from benchworthy.desk.states import RULES, Act, State
from benchworthy.history.standing import Placed
from benchworthy.reports.report import Author

RENEW_WITHIN: Final = timedelta(days=14)
SOON_DUE: Final = timedelta(days=4)  # a reminder goes out three days before the date, by the calendar
HANDLING, BY_HAND, ALONE = 35, 20, 2  # seconds of fitting, of a test that a person does, and of one that runs by itself
_RUNS = frozenset({"desk", "tester"})

# Who may do it beside a coordinator, what settles it, and for an act that is no run the seconds it ties a person (own estimates).
_HOW: Mapping[Task, tuple[frozenset[str], str, str, int]] = {
    Task.RUN: (_RUNS, "POST", "/api/v1/boards/{serial}/runs", 0),
    Task.FINISH: (_RUNS, "POST", "/api/v1/runs/{run}/close", 0),
    Task.CERTIFY: (RULES[Act.CERTIFY].roles, "POST", "/api/v1/boards/{serial}/certificates", 20),
    Task.SIGN: (RULES[Act.SIGN_OFF].roles, "POST", "/api/v1/boards/{serial}/stages/{stage}", 120),
    Task.CHECK_IN: (RULES[Act.CHECK_IN].roles, "POST", "/api/v1/boards/{serial}/check-ins", 20),
    Task.REPAIR: (RULES[Act.REPAIR].roles, "POST", "/api/v1/boards/{serial}/repairs", 900),
    Task.RELEASE: (RULES[Act.RELEASE].roles, "POST", "/api/v1/boards/{serial}/holds/{hold}/release", 30),
    Task.RELEASE_BY_COORDINATOR: (frozenset(), "POST", "/api/v1/boards/{serial}/holds/{hold}/release", 30),
    Task.RETIRE: (RULES[Act.RETIRE].roles, "POST", "/api/v1/boards/{serial}/retirement", 60),
    Task.READ_REMARK: (RULES[Act.TAKE_BACK].roles, "POST", "/api/v1/remarks/{remark}/read", 30),
    Task.REMIND: (RULES[Act.TAKE_BACK].roles, "POST", "/api/v1/boards/{serial}/returns", 60),
    Task.COORDINATE: (frozenset(), "POST", "/api/v1/boards/{serial}/returns", 300),
    Task.MISS: (RULES[Act.MISS].roles, "POST", "/api/v1/boards/{serial}/loss", 60),
}
_BY_OVERDUE = {"remind": Task.REMIND, "coordinator": Task.COORDINATE, "missing": Task.MISS}


@dataclass(frozen=True, slots=True)
class Item:
    """`hands` are seconds a person is tied, `seconds` the whole time; `due` is the date of its loan or reservation."""

    serial: str
    inventory_ref: str | None
    design: str
    virtual: bool
    state: str
    task: Task
    what: str
    hands: int
    seconds: int
    roles: tuple[str, ...]
    method: str
    path: str
    body: Mapping[str, Any] | None
    due: datetime | None


def work_list(boards: Iterable[Placed], sheets: Mapping[str, Sheet], now: datetime) -> tuple[Item, ...]:
    """Everything that waits: what has a date first, by its date, then what ties a person least. `sheets` are by design."""
    items = [item for board in boards if (item := _item(board, sheets[board.board.design], now)) is not None]
    late = datetime.max.replace(tzinfo=now.tzinfo)
    return tuple(sorted(items, key=lambda item: (item.due or late, item.hands, item.serial)))


def by_roles(items: Iterable[Item], roles: frozenset[str]) -> tuple[Item, ...]:
    """What somebody with one of these roles may do."""
    return tuple(item for item in items if roles & {*item.roles})


def fitting(items: Iterable[Item], minutes: int) -> tuple[Item, ...]:
    """What one person gets done in the time, in this order; an act that does not fit any more makes room for a shorter one."""
    left, kept = minutes * 60, []
    for item in items:
        if item.hands <= left and item.seconds <= minutes * 60:
            kept.append(item)
            left -= item.hands
    return tuple(kept)


def _item(board: Placed, sheet: Sheet, now: datetime) -> Item | None:
    waiting = board.waiting or _by_date(board, sheet, now)
    if waiting is None:
        return None
    task = Task(waiting["task"])
    roles, method, path, hands = _HOW[task]
    effort = _effort(sheet, str(waiting["test_set"])) if "test_set" in waiting else Effort(hands, hands)
    places = {"serial": board.board.serial, **{key: waiting[key] for key in ("run", "stage", "hold", "remark") if key in waiting}}
    return Item(
        serial=board.board.serial,
        inventory_ref=board.board.inventory_ref,
        design=board.board.design,
        virtual=board.board.virtual,
        state=board.state,
        task=task,
        what=str(waiting["what"]),
        hands=effort.hands,
        seconds=effort.seconds,
        roles=tuple(sorted({*roles, "coordinator"})),
        method=method,
        path=path.format(**places),
        body=_body(task, waiting),
        due=_due(board, now),
    )


def _effort(sheet: Sheet, test_set: str) -> Effort:
    """As the sheet says; where it does not, by the number of its tests (own estimates)."""
    if test_set in sheet.effort:
        return sheet.effort[test_set]
    tests = sheet.tests_of(test_set)
    hands = HANDLING + sum(BY_HAND for test in tests if test.author in (Author.OPERATOR, Author.INSPECTOR) or test.action)
    return Effort(hands + sum(ALONE for test in tests if test.author in (Author.BOARD, Author.BENCH)), hands)


def _body(task: Task, waiting: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """What of the body is known beforehand."""
    if task is Task.RUN:
        return {"stage": waiting["stage"]} if "stage" in waiting else {"set": waiting["test_set"]}
    return {"run": waiting["run"]} if task in (Task.CERTIFY, Task.CHECK_IN) else None


def _due(board: Placed, now: datetime) -> datetime | None:
    if board.due is not None:
        return board.due
    return board.reserved_until if board.reserved_until is not None and board.reserved_until > now else None


def _by_date(board: Placed, sheet: Sheet, now: datetime) -> Mapping[str, Any] | None:
    """What waits only because of the date: a reminder, or a certificate that ends soon."""
    if board.state == State.ON_LOAN and board.due is not None and board.lent_at is not None:
        late = overdue(LoanFacts(board.loan or "", board.borrower or "", board.lent_at, board.due, None), now)
        return {"task": _BY_OVERDUE[late.act], "what": late.sentence} if late else None
    if board.state in (State.FIT, State.RESERVED) and board.until is not None and board.until - now <= RENEW_WITHIN:
        told = f"Its certificate ends on {board.until:%Y-%m-%d}."
        return {"task": Task.RUN, "what": told, "test_set": sheet.policy.renewal_set}
    return None
