"""The work list: the one next act of a board in every state, who may do it, what it takes, and in which order."""

import dataclasses
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from benchworthy.api.paths import all_paths
from benchworthy.designs import catalogue
from benchworthy.designs.effort import Effort
from benchworthy.desk import missing
from benchworthy.desk.facts import BoardFacts, CertificateFacts, HoldFacts, LoanFacts, RunSummary
from benchworthy.desk.fitness import fitness
from benchworthy.desk.life import DefectFacts, Life, RepairFacts, RetirementFacts, SignOff
from benchworthy.desk.next_act import Task, Waiting, next_act
from benchworthy.desk.states import State
from benchworthy.desk.work_list import _HOW, Item, by_roles, fitting, work_list
from benchworthy.history.records import Board
from benchworthy.history.standing import Placed
from benchworthy.judging.decision import Verdict
from services.service import Trial, trial

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
DAY = timedelta(days=1)
SHEET = catalogue.find("tarn-b")
SHEETS = {"tarn-b": SHEET, "beck-a": catalogue.find("beck-a")}
KIT = BoardFacts("TB001X", "tarn-b", False, None, False, (), None, None, None, None, None)
DEFECT = DefectFacts(4, "The jack is loose.", NOW - 5 * DAY)
REPAIR = RepairFacts("D1", 1, NOW - 3 * DAY)
STAGES = sorted({test.stage for test in SHEET.tests.values()})
ALL_GATES = frozenset(SHEET.tests)


def run(age: float, *outs: str, name: str = "full", verdict: Verdict = Verdict.IN_LIMITS, **more: Any) -> RunSummary:
    at = NOW - age * DAY
    told = Verdict.OUT if outs else verdict
    made = RunSummary(f"r-{age:g}", name, at, at, True, told, outs, True, ("e661",), ALL_GATES - set(outs))
    return dataclasses.replace(made, **more)


def still_open(age: float, name: str = "full") -> RunSummary:
    return run(age, name=name, closed_at=None, complete=False)


CERTIFICATE = CertificateFacts("c-1", "r-10", NOW - 10 * DAY, NOW + 80 * DAY, None)
FIT = dataclasses.replace(KIT, module="e661", runs=(run(10),), certificate=CERTIFICATE)
BACK = LoanFacts("l-1", "b-7", NOW - 9 * DAY, NOW + DAY, NOW - DAY, "plug", ("It did not come back from the same teacher.",))
RETURNED = dataclasses.replace(FIT, loan=BACK)


def having(facts: BoardFacts, **changes: Any) -> BoardFacts:
    return dataclasses.replace(facts, **changes)


def lapsed(code: str | None, **changes: Any) -> BoardFacts:
    return having(FIT, certificate=dataclasses.replace(CERTIFICATE, lapse=code, **changes))


def held(code: str = "held-by-staff", **changes: Any) -> BoardFacts:
    return having(FIT, hold=HoldFacts(code, "Smells burnt.", NOW - 2 * DAY), **changes)


def asked(facts: BoardFacts, now: datetime = NOW) -> Waiting | None:
    return next_act(facts, fitness(facts, now), SHEET, 5 if facts.hold else None, now)


EXPIRED = lapsed(None, valid_until=NOW - DAY)


@pytest.mark.parametrize(("facts", "task", "about"), [
    (KIT, Task.RUN, {"test_set": "full"}),
    (having(KIT, open_stages=tuple(STAGES)), Task.RUN, {"test_set": "stage-1", "stage": 1}),
    (having(KIT, open_stages=tuple(STAGES), runs=(run(1, name="stage-1"),)), Task.SIGN, {"stage": 1}),
    (having(KIT, open_stages=tuple(STAGES[1:]), life=Life(sign_offs=(SignOff(1, "T4", "I2", NOW),))), Task.RUN,
     {"test_set": "stage-2", "stage": 2}),
    (having(KIT, life=Life(sign_offs=tuple(SignOff(s, "T4", "I2", NOW) for s in STAGES))), Task.RUN, {"test_set": "full"}),
    (having(KIT, runs=(still_open(0.1),)), Task.FINISH, {"test_set": "full", "run": "r-0.1"}),
    (having(KIT, runs=(run(1),)), Task.CERTIFY, {"run": "r-1"}),
    (having(KIT, runs=(run(1, complete=False),)), Task.RUN, {"test_set": "full"}),
    (having(KIT, runs=(run(1, name="plug"),)), Task.RUN, {"test_set": "full"}),
    (having(KIT, runs=(run(31),)), Task.RUN, {"test_set": "full"}),
    (having(KIT, runs=(run(1, "PWR-V5"),)), Task.REPAIR, {}),
    (having(KIT, runs=(run(1), run(2, "PWR-V5"))), Task.RUN, {"test_set": "full"}),
    (having(KIT, runs=(run(1), run(2), run(3), run(4, "PWR-V5"))), Task.CERTIFY, {"run": "r-1"}),
    (EXPIRED, Task.RUN, {"test_set": "renewal"}),
    (lapsed("LAPSE-CHECKIN-INCOMPLETE"), Task.RUN, {"test_set": "renewal"}),
    (lapsed("LAPSE-SHEET"), Task.RUN, {"test_set": "full"}),
    (having(EXPIRED, runs=(run(0.5, name="renewal"), run(10))), Task.CERTIFY, {"run": "r-0.5"}),
    (having(lapsed("LAPSE-SHEET"), runs=(run(0.5, name="renewal"), run(10))), Task.RUN, {"test_set": "full"}),
    (having(lapsed("LAPSE-REPAIR"), life=Life(repairs=(REPAIR,)), repaired_at=REPAIR.at), Task.RUN, {"test_set": "full"}),
    (having(lapsed("LAPSE-REPAIR"), life=Life(repairs=(REPAIR,)), repaired_at=REPAIR.at, runs=(run(1), run(10))),
     Task.CERTIFY, {"run": "r-1"}),
    (having(lapsed("LAPSE-REPAIR"), life=Life(repairs=(REPAIR,)), repaired_at=REPAIR.at, runs=(run(1, "PWR-V5"), run(10))),
     Task.REPAIR, {}),
    (having(lapsed("LAPSE-DEFECT"), life=Life(defects=(DEFECT,))), Task.REPAIR, {}),
    (having(FIT, life=Life(repairs=(REPAIR,) * 3), repaired_at=REPAIR.at), Task.RETIRE, {}),
    (held(), Task.RELEASE, {"hold": 5}),
    (held("LAPSE-RECALL"), Task.RELEASE_BY_COORDINATOR, {"hold": 5}),
    (held("LAPSE-DEFECT", life=Life(defects=(DEFECT,))), Task.REPAIR, {}),
    (held("LAPSE-CHECKIN-FAILED", runs=(run(1, "PWR-V5"), run(10))), Task.REPAIR, {}),
    (held("LAPSE-CHECKIN-FAILED", runs=(run(0.5), run(1, "PWR-V5"), run(10))), Task.RUN, {"test_set": "full"}),
    (held(missing.HOLD), Task.RUN, {"test_set": "full"}),
    (held(missing.HOLD, runs=(run(1), run(10))), Task.RELEASE_BY_COORDINATOR, {"hold": 5}),
    (held(runs=(still_open(0.1), run(10))), Task.FINISH, {"test_set": "full", "run": "r-0.1"}),
    (RETURNED, Task.RUN, {"test_set": "plug"}),
    (having(RETURNED, runs=(still_open(0.1, "plug"), run(10))), Task.FINISH, {"test_set": "plug", "run": "r-0.1"}),
    (having(RETURNED, runs=(run(0.5, name="plug"), run(10))), Task.CHECK_IN, {"run": "r-0.5"}),
    (having(RETURNED, runs=(run(0.5, "PWR-V5", name="plug"), run(10))), Task.CHECK_IN, {"run": "r-0.5"}),
    (having(RETURNED, runs=(run(0.5, name="plug", complete=False), run(10))), Task.RUN, {"test_set": "plug"}),
    (having(RETURNED, runs=(run(0.5, name="plug", verdict=Verdict.MARGINAL), run(10))), Task.RUN, {"test_set": "full"}),
    (having(EXPIRED, loan=BACK), Task.RUN, {"test_set": "renewal"}),
    (having(EXPIRED, loan=BACK, runs=(run(0.5), run(10))), Task.CERTIFY, {"run": "r-0.5"}),
    (having(FIT, life=Life(remark=3)), Task.READ_REMARK, {"remark": 3}),
    (having(FIT, runs=(still_open(0.1, "renewal"), run(10))), Task.FINISH, {"test_set": "renewal", "run": "r-0.1"}),
])  # fmt: skip
def test_each_board_that_waits_has_one_next_act(facts: BoardFacts, task: Task, about: dict[str, Any]) -> None:
    """With why in a sentence, and what it is about."""
    told = asked(facts)
    assert told is not None and told.task is task and told.what.strip().endswith((".", "and more."))
    plain = {key: value for key, value in dataclasses.asdict(told).items() if value is not None}
    assert plain == {"task": task, "what": told.what, **about}


@pytest.mark.parametrize("facts", [
    FIT,
    having(KIT, reference_since=NOW - DAY),
    having(FIT, loan=dataclasses.replace(BACK, returned_at=None)),
    having(FIT, loan=dataclasses.replace(BACK, returned_at=None), life=Life(missing_since=NOW)),
    having(held(), life=Life(retired=RetirementFacts("Pads lifted.", True, NOW), remark=3)),
])  # fmt: skip
def test_a_board_that_is_fit_out_or_gone_waits_for_nobody(facts: BoardFacts) -> None:
    """What the date asks for comes on top of this."""
    assert asked(facts) is None


def placed(serial: str, state: State, waiting: dict[str, Any] | None = None, **more: Any) -> Placed:
    board = Board(serial, "trial", more.pop("design", "tarn-b"), True, 1, None, None, None, NOW, 1)
    names = [field.name for field in dataclasses.fields(Placed) if field.name not in ("board", "state", "waiting")]
    return Placed(board, state, waiting=waiting, **{name: more.get(name) for name in names})


def one(board: Placed, now: datetime = NOW) -> Item:
    (item,) = work_list([board], SHEETS, now)
    return item


RUN_PLUG = {"task": "run a set", "what": "It came back.", "test_set": "plug"}


def test_an_item_says_who_may_do_it_how_long_it_takes_and_what_settles_it() -> None:
    """From the sheet's own figures for a set."""
    item = one(placed("A", State.RETURNED, RUN_PLUG))
    assert (item.method, item.path, item.body) == ("POST", "/api/v1/boards/A/runs", {"set": "plug"})
    assert item.roles == ("coordinator", "desk", "tester")
    assert Effort(item.seconds, item.hands) == SHEET.effort["plug"] == Effort(151, 37)
    certify = one(placed("A", State.UNDER_TEST, {"task": "certify", "what": "Complete.", "run": "r-1"}))
    assert (certify.path, certify.body, certify.roles) == (
        "/api/v1/boards/A/certificates", {"run": "r-1"}, ("coordinator", "tester"),
    )  # fmt: skip
    release = one(placed("A", State.HELD, {"task": "release the hold", "what": "Held.", "hold": 5}))
    assert release.path == "/api/v1/boards/A/holds/5/release"


def test_a_sheet_without_figures_is_estimated_by_the_number_of_its_tests() -> None:
    """More hands for a set that asks people more."""
    bare = dataclasses.replace(SHEET, effort={})
    of = {name: work_list([placed("A", State.RETURNED, {**RUN_PLUG, "test_set": name})], {"tarn-b": bare}, NOW)[0] for name in
          ("quick", "plug", "renewal", "full")}  # fmt: skip
    assert of["quick"].hands <= of["plug"].hands < of["renewal"].hands < of["full"].hands
    assert all(item.seconds >= item.hands > 0 for item in of.values())


@pytest.mark.parametrize(("days", "task"), [
    (-4, None), (-3, Task.REMIND), (0, Task.REMIND), (7, Task.REMIND), (14, Task.COORDINATE), (30, Task.MISS),
])  # fmt: skip
def test_a_loan_near_or_past_its_date_asks_for_a_reminder(days: int, task: Task | None) -> None:
    """By the desk's own steps."""
    board = placed("A", State.ON_LOAN, due=NOW - days * DAY, lent_at=NOW - 90 * DAY, loan="l-1", borrower="b-7")
    items = work_list([board], SHEETS, NOW)
    assert [item.task for item in items] == ([task] if task else [])


def test_a_certificate_that_ends_within_a_fortnight_asks_for_its_renewal() -> None:
    """While the board is here and fit; a board on loan is renewed when it is back."""
    ends = NOW + 14 * DAY
    item = one(placed("A", State.FIT, until=ends))
    assert (item.task, item.body) == (Task.RUN, {"set": "renewal"})
    assert one(placed("A", State.RESERVED, until=ends, reserved_until=NOW + DAY)).due == NOW + DAY
    assert work_list([placed("A", State.FIT, until=ends + timedelta(seconds=1))], SHEETS, NOW) == ()
    assert work_list([placed("A", State.ON_LOAN, until=ends, due=NOW + 9 * DAY, lent_at=NOW)], SHEETS, NOW) == ()


def test_what_has_a_date_comes_first_then_what_ties_a_person_least() -> None:
    """A reservation that is over is no date."""
    quick, full = {**RUN_PLUG, "test_set": "quick"}, {**RUN_PLUG, "test_set": "full"}
    boards = [
        placed("A", State.KIT, full),
        placed("B", State.KIT, quick),
        placed("C", State.UNDER_TEST, full, reserved_until=NOW + 2 * DAY),
        placed("D", State.ON_LOAN, due=NOW + DAY, lent_at=NOW, loan="l-1", borrower="b"),
        placed("E", State.UNDER_TEST, RUN_PLUG, reserved_until=NOW - DAY),
        placed("F", State.KIT, quick),
    ]
    assert [item.serial for item in work_list(boards, SHEETS, NOW)] == ["D", "C", "B", "F", "E", "A"]


def test_minutes_keep_what_one_person_gets_done() -> None:
    """Hands add up; a set that by itself takes longer than the time is left out, and what is short still comes in."""
    boards = [placed(f"P{n}", State.RETURNED, RUN_PLUG) for n in range(4)]
    boards += [placed("FULL", State.KIT, {**RUN_PLUG, "test_set": "full"}, reserved_until=NOW + DAY)]
    items = work_list(boards, SHEETS, NOW)
    assert items[0].serial == "FULL"
    assert [item.serial for item in fitting(items, 9)] == ["P0", "P1", "P2", "P3"]  # the full set takes 554 s, P 151 s
    assert [item.serial for item in fitting(items, 10)] == ["FULL", "P0", "P1", "P2", "P3"]  # 440 + 4 * 37 = 588 s of hands
    assert fitting(items, 2) == ()
    many = work_list([placed(f"P{n:02}", State.RETURNED, RUN_PLUG) for n in range(40)], SHEETS, NOW)
    assert len(fitting(many, 10)) == 600 // 37


def test_a_list_for_roles_holds_only_what_they_may_do() -> None:
    """A reader does nothing, a coordinator everything."""
    boards = [placed("A", State.UNDER_TEST, {"task": "certify", "what": "Complete.", "run": "r-1"}),
              placed("B", State.RETURNED, RUN_PLUG)]  # fmt: skip
    items = work_list(boards, SHEETS, NOW)
    assert [i.serial for i in by_roles(items, frozenset({"desk"}))] == ["B"]
    assert len(by_roles(items, frozenset({"tester"}))) == len(by_roles(items, frozenset({"coordinator"}))) == 2
    assert by_roles(items, frozenset({"reader"})) == () == by_roles(items, frozenset())


def test_every_act_is_settled_by_a_path_that_exists_and_lets_these_roles_in(tmp_path: Path) -> None:
    """Against the application's own list of paths."""
    with trial(tmp_path) as made:
        paths = {tuple(line.split(" ", 1)) for line in all_paths(made.app)}
        missing_here = {(method, path) for _, method, path, _ in _HOW.values()} - {(m, _named(p)) for m, p in paths}
        assert missing_here == set()
        assert set(_HOW) == set(Task)
        _roles_are_let_in(made)


def _named(path: str) -> str:
    return path.replace("holds/{number}/", "holds/{hold}/").replace("remarks/{number}/", "remarks/{remark}/")


def _roles_are_let_in(made: Trial) -> None:
    """A role of the list is never refused as such, and one that is not there always is."""
    serial = made.enrol("ROLES1")["serial"]
    fill = {"serial": serial, "run": "r-0", "stage": 1, "hold": 1, "remark": 1}
    for task, (roles, method, path, _) in _HOW.items():
        for role in ("desk", "tester", "inspector", "reader"):
            answer = made.ask(method, path.format(**fill).removeprefix("/api/v1"), {}, role)
            refused = answer.status_code == 403
            if roles or task not in (Task.RELEASE_BY_COORDINATOR, Task.COORDINATE):  # there what is at hand decides
                assert refused is (role not in roles), f"{task}: {role} got {answer.status_code}"
