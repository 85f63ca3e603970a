"""Beck's sheet: what the trade's catalogue asks of it, its healthy patterns from its parts, and its uncertainties."""

import json
import math
from importlib import resources

import pytest

from benchworthy.bench.snippets import measuring
from benchworthy.cli import main
from benchworthy.designs import catalogue
from benchworthy.designs.loading import load
from benchworthy.designs.plan import plan_for
from benchworthy.designs.procedures import BENCH_DRIVEN, PROCEDURES
from benchworthy.designs.sheet import Driver, parts_of
from benchworthy.errors import SheetInvalid
from benchworthy.judging import draws
from benchworthy.judging.uncertainty import measure
from benchworthy.reports.report import Author, Step
from benchworthy.reports.token import MAX_BYTES

SHEET = catalogue.find("beck-a")
PULLS_OHM = (50_000.0, 80_000.0)  # the sheet's assumption about its controller
RAIL, BASE, LAMP = 3.3, (0.45, 0.7), (1.9, 3.2)  # V; a transistor's base and a blue lamp at some 10 to 100 uA (from memory)

# What the catalogue says of U (k = 2) for this board; a quantity not listed has none, as it is an exact count.
U = {
    "PRE-COLD": (10, {"reading": 1000.0}),
    "PWR-DMM33": (0.018, {"reading": 3.3}),
    "USB-ENUM": (0.1, {"appear_us": 1_000_000}),
    "USB-LOOP": (0.3, {"bytes_per_s": 8000}),
    "MCU-HEAP": (100, {"free": 9000}),
    "MCU-CLK": (70, {"board_us": 30_000_000, "host_us": 30_000_000}),
    "MCU-TEMP": (8, {"die": 100}),
    "PWR-V33S": (0.1, {"supply": 939}),
    "OUT-OFF": (0.05, {"supply": 939, "drain": 1010}),
    "OUT-I1": (0.015, {"base": 0, "on": 121}),
    "OUT-P1": (0.012, {"base": 0, "d0": 30, "d1": 60, "d2": 91, "d3": 121}),
    "SNS-OPEN": (0.01, {"s1": 624, "s2": 624, "s3": 0}),
    "SNS-S1": (0.012, {"signal": 483}),
    "SNS-S2": (0.012, {"signal": 483}),
    "SNS-S3": (0.012, {"signal": 483}),
}
KEY_PRESS_U, SNS_OPEN_LEAK_U = 0.1, 0.005


def test_the_sheet_holds_all_34_tests_and_a_driver() -> None:
    """34 of the catalogue's 62 tests apply to a board without radio, multiplexer and servo port."""
    assert (len(SHEET.tests), SHEET.catalogue, SHEET.driver) == (34, 34, Driver.BENCH)
    assert set(SHEET.sets) == {"quick", "plug", "renewal", "full"}
    assert not any(test.author is Author.BOARD for test in SHEET.tests.values())


def test_each_larger_set_contains_the_smaller_except_what_a_fuller_test_covers() -> None:
    """The short look is left out of the full set, as the inspection covers it."""
    names = [{test.id for test in SHEET.tests_of(name)} for name in ("quick", "plug", "renewal", "full")]
    assert names[0] < names[1] < names[2]
    assert names[2] - names[3] == {"VIS-SHORT"}
    assert [len(each) for each in names] == [12, 24, 31, 33]


def test_the_plan_holds_what_the_bench_has_to_tell_the_board() -> None:
    """Every bench test that is no business of the host alone, one line each."""
    lines = [json.loads(line) for line in plan_for(SHEET, "full").text.splitlines()]
    told = {line["id"] for line in lines[1:]}
    bench = {test.id for test in SHEET.tests_of("full", Author.BENCH)}
    assert told == {name for name in bench if not PROCEDURES[SHEET.tests[name].procedure].host}
    assert lines[0]["ports"]["key"] == [17, "in", None]


def test_the_parts_of_a_full_run_fit_reports_and_come_in_the_order_of_the_phases() -> None:
    """The boots come last, after everything that may reset a board."""
    parts = [part for part in parts_of(SHEET, "full") if part.author is Author.BENCH]
    assert [part.phase for part in parts] == ["bare", "ports", "loads", "rig", "ports"]
    assert parts[3].tests == ("MCU-RST",) and parts[4].tests == ("MCU-FW",)
    assert MAX_BYTES == 4096


def test_the_walks_patterns_follow_from_the_parts_on_each_pin() -> None:
    """A pull-up to the rail, a base, a lamp or nothing decides what a pin reads against the controller's pull."""
    stored = json.loads((resources.files("benchworthy.designs.library") / "beck-a.computed.json").read_text())
    assert stored["patterns"] == {"GPIO-WALK": healthy_walk()}


def healthy_walk() -> list[list[int]]:
    """Expected and care mask of each step, by hand from the nets."""
    ports = [str(port) for port in SHEET.tests["GPIO-WALK"].parameters["ports"]]
    up, down = [_level(port, "up") for port in ports], [_level(port, "down") for port in ports]
    rows = [up, down]
    for place in range(len(ports)):
        rows += [[*down[:place], 1, *down[place + 1 :]], [*up[:place], 0, *up[place + 1 :]]]
    return [
        [sum(1 << bit for bit, v in enumerate(row) if v), sum(1 << bit for bit, v in enumerate(row) if v is not None)]
        for row in rows
    ]


def _level(port: str, pull: str) -> int | None:
    """What a port reads when it is only pulled: 1, 0, or None where a sound board may read either."""
    to_rail, clamp = _on_pin(_net(port))
    volts = [_volts(pull, ohm, to_rail, limit) for ohm in PULLS_OHM for limit in clamp]
    if min(volts) >= RAIL * 2 / 3:
        return 1
    return 0 if max(volts) <= RAIL / 3 else None


def _volts(pull: str, ohm: float, to_rail: float | None, limit: float) -> float:
    if pull == "down":
        return 0.0 if to_rail is None else RAIL * ohm / (ohm + to_rail)
    return min(RAIL, limit)


def _on_pin(net: str) -> tuple[float | None, tuple[float, ...]]:
    """The resistor from a net to the rail, and the voltages at which what follows a series resistor holds it."""
    to_rail, clamp = None, (RAIL,)
    for part in SHEET.parts.values():
        if part.kind == "resistor" and net in part.nets:
            other = part.nets[1 - part.nets.index(net)]
            kinds = {p.kind for p in SHEET.parts.values() if other in p.nets and other not in ("V33", "GND")}
            to_rail = part.value if other == "V33" else to_rail
            clamp = LAMP if "lamp" in kinds else BASE if "transistor" in kinds else clamp
    return to_rail, clamp


def _net(port: str) -> str:
    """The net of a port of the walk; the controller's nets are named by what hangs on them."""
    named = {"sounder": "SND", "key": "BTN", "sda": "SDA", "scl": "SCL"}
    net = named.get(port) or f"LP{port.removeprefix('lamp')}"
    assert net in SHEET.parts["U5"].nets
    return net


@pytest.mark.parametrize("name", sorted(U))
def test_the_uncertainty_comes_near_what_the_catalogue_states(name: str) -> None:
    """Within a quarter, at the value of a sound board; the exceptions carry their own number below."""
    stated, at = U[name]
    for quantity in SHEET.tests[name].quantities:
        if not quantity.terms or quantity.name in ("S3 open", "smallest rise from step to step"):
            continue
        assert _expanded(name, quantity.name, at) == pytest.approx(stated, rel=0.25), quantity.name


def test_the_uncertainties_of_bounce_and_leakage_too() -> None:
    """Both have other numbers in the catalogue than the first quantity of their test."""
    assert _expanded("KEY-PRESS", "longest bounce", {"bounce": 2000}) == pytest.approx(KEY_PRESS_U, rel=0.25)
    assert _expanded("SNS-OPEN", "S3 open", {"s3": 0}) == pytest.approx(SNS_OPEN_LEAK_U, rel=0.25)


def _expanded(test: str, quantity: str, at: dict[str, float]) -> float:
    found = next(q for q in SHEET.tests[test].quantities if q.name == quantity)
    values = {ref: part.value for ref, part in SHEET.parts.items() if part.value is not None}
    constants = {**values, **SHEET.tests[test].constants, **({"reading": at["reading"]} if "reading" in at else {})}
    steps = {name: Step(1, int(v), int(v) ** 2, int(v), int(v)) for name, v in at.items() if name != "reading"}
    return measure(found, steps, constants).expanded


def test_what_is_drawn_cannot_be_guessed_in_one_go() -> None:
    """All three right by chance: 1 in 54."""
    chance = 1.0
    for name in ("LED-SEE", "TONE-HEAR", "OUT-DIR1"):
        test = SHEET.tests[name]
        answers = [draws.right_answer(test.procedure, {"a": choice}) for choice in draws.choices(test)]
        chance *= max(answers.count(answer) for answer in answers) / len(answers)
    assert math.isclose(chance, 1 / 54)


@pytest.mark.parametrize("words", [["design", "compute", "beck-a"], ["virtual", "beck-a"]])
def test_a_design_without_a_circuit_is_refused_in_words(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """No traceback: exit code 2, and why."""
    assert main.main(words) == 2
    assert "no full circuit" in capsys.readouterr().err


def test_the_bench_knows_what_the_loader_lets_through() -> None:
    """The two lists stand in rooms that may not import each other."""
    drives = {name for name, known in PROCEDURES.items() if known.authors == {Author.BENCH} and not known.host}
    assert set(measuring._PROCEDURES) == BENCH_DRIVEN | drives


@pytest.mark.parametrize(
    ("changed", "into", "told"),
    [
        ('procedure = "memory_free"', 'procedure = "servo"', "beyond a board that the bench drives"),
        ('{ name = "die", read = "die", n = 16 }', '{ name = "die", select = 1, read = "die", n = 16 }', "has no multiplexer"),
        ('author = "bench"', 'author = "board"', "must be bench"),
    ],
)
def test_what_such_a_board_cannot_do_is_refused_by_the_check(changed: str, into: str, told: str) -> None:
    """With the line, before any board is there."""
    text = (resources.files("benchworthy.designs.library") / "beck-a.toml").read_text()
    with pytest.raises(SheetInvalid, match=told):
        load(text.replace(changed, into))
