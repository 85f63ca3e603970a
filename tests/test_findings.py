"""What disagrees with the record in a run keeps it from carrying a certificate."""

from pathlib import Path
from typing import Any

import pytest

from benchworthy.designs.plan import plan_for
from benchworthy.reports.report import Author
from services import reports
from services.service import Trial, trial


def run_with(made: Trial, serial: str, bench_changes: dict[str, Any], board_changes: dict[str, Any]) -> str:
    """A complete closed run of sound readings whose heads differ in the given fields."""
    opened = made.open(serial)
    made.deliver(
        *(reports.part(opened, serial, n, **board_changes) for n in reports.numbers_of(opened, Author.BOARD)),
        *(reports.bench_part(opened, serial, made.bench, n, **bench_changes) for n in reports.numbers_of(opened, Author.BENCH)),
    )
    made.people_answer(opened)
    made.post(f"/runs/{opened['run']}/close", {})
    return str(opened["run"])


def test_a_stand_in_on_a_board_not_enrolled_as_virtual_is_a_finding_and_certifies_nothing(tmp_path: Path) -> None:
    """The same run on a board enrolled as virtual certifies, marked so."""
    with trial(tmp_path) as made:
        real = made.enrol("REAL01", virtual=False)["serial"]
        run = run_with(made, real, {"seen": {"stand_in": True}}, {})
        assert "stand-in-found" in made.findings(real)
        assert made.unmet(real, run) == ["finding-open"]
        virtual = made.enrol("VIRT01", virtual=True)["serial"]
        run = run_with(made, virtual, {"seen": {"stand_in": True}}, {})
        issued = made.certify(virtual, run)
        assert issued.status_code == 201 and issued.json["virtual"] is True


def test_a_run_in_which_another_module_spoke_certifies_nothing(tmp_path: Path) -> None:
    """The bench read one module's id, another one signed with the run key: a copy at work."""
    with trial(tmp_path) as made:
        serial = made.enrol("COPY01")["serial"]
        run = run_with(made, serial, {}, {"module": "e6614103ffffffff"})
        assert "module-differs" in made.unmet(serial, run)


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"plan": "0" * 32}, "plan-differs"),
        ({"agent": {"version": "1.0.0", "hash": "0" * 32}}, "agent-differs"),
        ({"seen": {"plug": "TP4-9999"}}, "plug-differs"),
    ],
)
def test_each_disagreement_of_the_board_with_the_record_is_told(tmp_path: Path, changes: dict[str, Any], code: str) -> None:
    """Plan, agent and the plug that the board sees are held against what the service gave out."""
    with trial(tmp_path) as made:
        serial = made.enrol("DIFF01")["serial"]
        run = run_with(made, serial, {}, changes)
        assert code in made.findings(serial)
        assert "finding-open" in made.unmet(serial, run)


def test_what_a_board_measured_by_itself_is_judged_and_follows_a_plan_of_the_sheet(tmp_path: Path) -> None:
    """The field set's plan is one that the sheet gives out; what decides nothing decides nothing here either."""
    with trial(tmp_path) as made:
        enrolled = made.enrol("FIELD1")
        serial, key = enrolled["serial"], enrolled["field_key"]
        plan = plan_for(reports.SHEET, "field").hash
        alone = [reports.sound(test.id) for test in reports.SHEET.tests_of("field")]
        answer = made.send(reports.field(serial, key, alone, plan=plan))
        assert (answer.status_code, answer.json["verdict"]) == (201, "in limits")
        low = reports.scaled("PWR-V33S", "rail", 0.9)
        answer = made.send(reports.field(serial, key, reports.replaced(alone, low), plan=plan, seq=2))
        assert answer.json["verdict"] == "out"
        recorded = made.send(reports.field(serial, key, [reports.scaled("MCU-TEMP", "die", 0.7)], plan=plan, seq=3))
        assert recorded.json["verdict"] == "nothing to judge"
        assert made.findings(serial) == []
