"""The virtual board: what the real agent on real MicroPython measures of it, and what a person perceives."""

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from benchworthy.bench.people import Operator
from benchworthy.judging.decision import Verdict
from benchworthy.reports.token import split
from services.virtual_table import SERIAL, SHEET, Table, table


@pytest.fixture
def nominal(tmp_path: Path) -> Iterator[Table]:
    """A sound board with every part at its nominal value."""
    with table(tmp_path) as on_table:
        yield on_table


def test_the_raw_repl_answers_on_the_port(nominal: Table) -> None:
    """mpremote's transport works on it as on a real board."""
    assert nominal.wire.exec("print(6 * 7)") == b"42\n"


@pytest.mark.parametrize("seed", [None, 1, 2])
def test_a_sound_board_is_in_limits_in_every_test_of_the_full_set(tmp_path: Path, seed: int | None) -> None:
    """Through interpreter, circuit, converter and formula; only what needs a broker is not run."""
    with table(tmp_path, seed) as sound:
        outcomes = sound.whole("full")
        assert sound.board.endangered == ()
    assert len(outcomes) >= 40
    wrong = {name: outcome.sentence for name, outcome in outcomes.items() if outcome.verdict is not Verdict.IN_LIMITS}
    assert set(wrong) == {"WIFI-LINK"}, wrong


def test_a_person_with_a_meter_finds_a_sound_board_sound(nominal: Table) -> None:
    """Rails under power; resistances and diodes with nothing plugged in and the modules out."""
    assert nominal.person.read_meter("PWR-DMM5") == pytest.approx(5.0, abs=0.2)
    assert nominal.person.read_meter("PWR-DMM33") == pytest.approx(3.3, abs=0.066)
    for quantity in (q for test in ("PRE-COLD", "PRE-DIODE") for q in SHEET.tests[test].quantities):
        shown = nominal.person.read_meter("PRE", "", quantity.name)
        assert quantity.low is not None and quantity.low <= shown, quantity.name
        assert quantity.high is None or shown <= quantity.high, quantity.name


def test_both_rail_lamps_are_seen_lit(nominal: Table) -> None:
    """And one of them dark when it is in backwards."""
    nominal.board.inject("D3=reversed")
    items = SHEET.tests["PWR-LED"].parameters["items"]
    assert nominal.person.check_list("PWR-LED", "", items) == {items[0]: "good", items[1]: "amber dark"}


def test_a_sound_board_reads_plausible_codes(nominal: Table) -> None:
    """U3 at 1.235 V over 3.3 V is about code 1533, half of 5 V about 3100; both follow from the parts' values."""
    ref = nominal.measure("PWR-V5")["PWR-V5"]["steps"]
    assert ref[1][1] / ref[1][0] == pytest.approx(1.235 / 3.3 * 4096, abs=8)
    assert ref[0][1] / ref[0][0] == pytest.approx(2.5 / 3.3 * 4096, abs=16)


def test_a_walk_of_a_sound_board_sees_each_driven_pin(nominal: Table) -> None:
    """The driven pin reads as driven in every step of its own."""
    steps = nominal.measure("GPIO-WALK")["GPIO-WALK"]["steps"]
    for place in range(len(SHEET.tests["GPIO-WALK"].parameters["ports"])):
        assert steps[2 + 2 * place][1] >> place & 1 == 1
        assert steps[3 + 2 * place][1] >> place & 1 == 0


def test_a_bridge_between_two_pins_changes_the_walk(nominal: Table, tmp_path_factory: pytest.TempPathFactory) -> None:
    """A bridged pin follows its neighbour where it should follow its pull."""
    sound = nominal.measure("GPIO-WALK")["GPIO-WALK"]["steps"]
    with table(tmp_path_factory.mktemp("bridged"), None, "GP0-GP1=bridge") as bridged:
        assert bridged.measure("GPIO-WALK")["GPIO-WALK"]["steps"] != sound


@pytest.mark.parametrize("fault", ["R17=100k", "J4.2=bent", "J4.1=bent", "J4.3=bent"])
def test_a_fault_at_header_s1_shows_in_its_test_and_not_at_the_other_headers(tmp_path: Path, fault: str) -> None:
    """Reading by reading."""
    with table(tmp_path, None, fault) as broken:
        broken.person.fit("TP-4")
        outcomes = broken.outcomes("SNS-S1", "SNS-S2", "SNS-S3", "SNS-S4", "PWR-V33S")
    assert {name for name, outcome in outcomes.items() if outcome.verdict is not Verdict.IN_LIMITS} == {"SNS-S1"}


# Faults whose signature is not a steady voltage: (fault, fixtures, action, test).
IN_TIME = [
    ("SW1=worn", (), "press-key", "KEY-PRESS"),
    ("C4=open", (), "", "PWR-RIP"),
    ("ANT=detuned", (), "", "WIFI-RSSI"),
    ("J10.3=bent", ("TP-4",), "", "SV-PULSE"),
    ("J10.1=bent", ("TP-4",), "", "SV-VCC"),
    ("R13=47k", ("TP-4",), "", "I2C-RISE"),
    ("TP-4:PU2=stuck", ("TP-4",), "", "I2C-IDLE"),
    ("R30=open", ("M-1",), "rig-held", "OUT-STALL"),
]


@pytest.mark.parametrize(("fault", "fixtures", "action", "test"), IN_TIME, ids=[each[0] for each in IN_TIME])
def test_a_fault_that_shows_in_time_is_out(tmp_path: Path, fault: str, fixtures: tuple[str, ...], action: str, test: str) -> None:
    """Bounce, ripple, radio, pulses, rise, bus, stall."""
    with table(tmp_path, 1, fault) as broken:
        for fixture in fixtures:
            broken.person.fit(fixture)
        outcomes = broken.during(action, lambda: broken.outcomes(test))
    assert outcomes[test].verdict is Verdict.OUT


def test_a_shorted_half_brakes_the_motor(tmp_path: Path) -> None:
    """An open bridge lets it run down; between two shorts it stands at once."""
    shorts = ("J8.1-MGND=bridge", "J8.2-MGND=bridge")
    with table(tmp_path / "coasts", None) as free, table(tmp_path / "brakes", None, *shorts) as shorted:
        seen = []
        for each in (free, shorted):
            for fixture in ("TP-4", "M-1"):
                each.person.fit(fixture)
            seen.append(each.during("rig-motor", lambda each=each: each.quantities("OUT-COAST")))
    assert 100 < seen[0]["OUT-COAST", "time above 0.5 V"] < 400
    assert seen[1]["OUT-COAST", "time above 0.5 V"] < 20


def test_a_hanging_memory_is_freed_by_nine_clocks(tmp_path: Path) -> None:
    """UM10204 3.1.16: nine clocks at most; afterwards the bus works."""
    with table(tmp_path, None, "TP-4:PU2=stuck9") as hung:
        hung.person.fit("TP-4")
        assert hung.quantities("I2C-CLEAR")["I2C-CLEAR", "clocks needed"] == 9
        assert hung.outcomes("I2C-SCAN")["I2C-SCAN"].verdict is Verdict.IN_LIMITS


def shown(on: Table, procedure: str, **arguments: Any) -> str:
    """What the person answers when the board shows something."""
    text = json.dumps({"p": procedure, "a": arguments})
    return on.person.watch(procedure, "", lambda: void(on.call(f"bench_call.show({text!r})")))


def test_the_operator_counts_the_blinks(nominal: Table) -> None:
    """Three asked for, three seen."""
    assert shown(nominal, "blink", port="lamp", count=3) == "3"


def test_the_operator_sees_nothing_when_the_lamp_is_open(tmp_path: Path) -> None:
    """The program blinks all the same; the person is not fooled."""
    with table(tmp_path, None, "D6=open") as dark:
        assert shown(dark, "blink", port="lamp", count=3) == "0"


@pytest.mark.parametrize("pattern", ["rising", "long-long", "dot-dash-dot"])
def test_the_operator_names_the_tune(nominal: Table, pattern: str) -> None:
    """By frequency and length alone."""
    assert shown(nominal, "tone", port="sounder", pattern=pattern) == pattern


def test_the_operator_hears_nothing_of_a_dead_sounder(tmp_path: Path) -> None:
    """Its transistor in backwards."""
    with table(tmp_path, None, "BZ1=open") as mute:
        assert shown(mute, "tone", port="sounder", pattern="rising") == "silence"


@pytest.mark.parametrize("order", [("off", "forward", "back"), ("back", "off", "forward"), ("forward", "back", "off")])
def test_the_operator_tells_which_way_the_disc_turned(nominal: Table, order: tuple[str, ...]) -> None:
    """Also when it stood still."""
    nominal.person.fit("M-1")
    ports = SHEET.tests["OUT-DIR1"].parameters
    seen = nominal.during(
        "rig-motor",
        lambda: shown(nominal, "turn", order=list(order), **{k: ports[k] for k in ("enable", "a", "b", "ms")}),
    )
    assert seen == " ".join(order)


def test_a_person_at_the_console_and_a_virtual_one_do_the_same_things(nominal: Table) -> None:
    """The bench drives either by the same names."""
    wanted = {name for name in vars(Operator) if not name.startswith("_")}
    assert wanted <= {name for name in dir(nominal.person) if not name.startswith("_")}
    assert nominal.person.scan_label() == SERIAL


def test_the_same_seed_gives_the_same_readings(tmp_path: Path) -> None:
    """Another seed gives others: parts and converter are drawn from it."""
    seen = []
    for name, seed in (("a", 5), ("b", 5), ("c", 6)):
        with table(tmp_path / name, seed) as drawn:
            drawn.person.fit("TP-4")
            seen.append(drawn.measure("PWR-V33M", "PWR-V5", "SNS-S1", "SNS-S2"))
    assert seen[0] == seen[1] != seen[2]


def test_a_plug_behind_a_bent_pin_is_not_identified(tmp_path: Path) -> None:
    """Its memory needs both bus lines and the supply."""
    with table(tmp_path, None, "J3.3=bent") as bent:
        bent.person.fit("TP-4")
        assert "seen" not in json.loads(split(bent.report(2, "KEY-IDLE")).payload)


def test_an_hour_of_board_time_takes_no_real_time(nominal: Table) -> None:
    """Sleeping is virtual, and ticks tell it."""
    start = time.monotonic()
    code = "import time\nt = time.ticks_ms()\ntime.sleep(3600)\nprint(time.ticks_diff(time.ticks_ms(), t))"
    assert int(nominal.wire.exec(code)) == pytest.approx(3_600_000, abs=2)
    assert time.monotonic() - start < 5


def void(_: object) -> None:
    """Drops a result where a callable must give none."""
