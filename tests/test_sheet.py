"""The sheet: every kind of fault is named with line and key, and the two hashes change for what they stand for."""

import json
from importlib import resources

import pytest

from benchworthy.designs import catalogue
from benchworthy.designs.formula import parse
from benchworthy.designs.loading import load
from benchworthy.designs.parts import amount, relative
from benchworthy.designs.plan import plan_for
from benchworthy.errors import SheetInvalid, UnknownDesign

TARN = (resources.files("benchworthy.designs.library") / "tarn-b.toml").read_text()

SMALL = """\
format = 1

[design]
id = "reed"
revision = "A"
title = "Reed rev A"
catalogue = 4
module = "any"

[policy]
run_age_days = 30
certificate_days = 90
run_hours = 8

[sets]
full = "every test"
field = "alone"

[ports]
common = { pin = 26, does = "adc" }

[parts]
R1 = { kind = "resistor", value = "10k", tolerance = "1%", nets = "A B", stage = 1 }

[tests.PWR-A]
title = "A rail"
stage = 1
author = "board"
sets = ["full"]
procedure = "levels"
steps = [{ name = "rail", read = "common", n = 16 }]
ask = "The rail is read."
next = "Meter on the rail."
[[tests.PWR-A.quantities]]
name = "rail"
unit = "V"
value = "rail * 3.3 / 4096"
low = 1.0
high = 2.0
source = "own"
uncertainty = ["codes 8 rectangular"]
"""


def _with(old: str, new: str) -> str:
    assert SMALL.count(old) >= 1, old
    return SMALL.replace(old, new, 1)


def _faults(text: str) -> list[str]:
    with pytest.raises(SheetInvalid) as caught:
        load(text)
    return list(caught.value.facts["faults"])


def test_the_small_sheet_is_sound() -> None:
    """Everything below changes one thing in this sheet."""
    sheet = load(SMALL)
    assert sheet.name == "reed-a"
    assert sheet.coverage == "1 of the 4 tests of the catalogue"


QUANTITY = """[[tests.PWR-A.quantities]]
name = "rail"
unit = "V"
value = "rail"
high = 4095
source = "own"
"""
FAULTS = [
    ("format = 1", "format = 2", "format must be 1"),
    ("format = 1\n", "", "format is missing"),
    ('id = "reed"\n', "", "design.id is missing"),
    ("run_hours = 8", "run_hours = 8.5", "policy.run_hours must be a whole number"),
    ("run_hours = 8", "run_hours = true", "policy.run_hours must be a whole number"),
    ("run_hours = 8", "run_hours = 8\nrun_days = 8", "policy.run_days is not known here"),
    ('kind = "resistor"', 'kind = "resitor"', "parts.R1.kind 'resitor' is no known kind"),
    ('value = "10k"', 'value = "10K"', "parts.R1.value '10K' is no amount"),
    ('value = "10k"', 'value = "4k7"', "parts.R1.value '4k7' is no amount"),
    ('tolerance = "1%"', 'tolerance = "1"', "parts.R1.tolerance '1' is no tolerance"),
    ('nets = "A B", ', "", "parts.R1.nets is missing"),
    ('does = "adc"', 'does = "analog"', "ports.common.does 'analog' must be adc, in, out, pwm or die"),
    ('author = "board"', 'author = "bench"', "tests.PWR-A.author must be board for the procedure levels"),
    ('author = "board"', 'author = "robot"', "tests.PWR-A.author must be board for the procedure levels"),
    ('sets = ["full"]', 'sets = ["frist"]', "tests.PWR-A.sets names 'frist'; known are field, full"),
    ('sets = ["full"]', 'sets = "full"', "tests.PWR-A.sets must be a list"),
    ('sets = ["full"]', 'sets = ["full"]\nneeds = ["jack"]', "tests.PWR-A.needs names 'jack'; known are none"),
    ('sets = ["full"]', 'sets = ["full"]\nbetter_witness = "PWR-B"', "tests.PWR-A.better_witness names 'PWR-B'"),
    ('procedure = "levels"', 'procedure = "level"', "tests.PWR-A.procedure 'level' is known to no agent version; known are"),
    ('procedure = "levels"', 'procedure = "levels"\ncolour = "red"', "tests.PWR-A.colour is not known to the procedure levels"),
    ('steps = [{ name = "rail", read = "common", n = 16 }]\n', "", "tests.PWR-A.steps is missing; the procedure levels needs it"),
    ('{ name = "rail", read', "{ read", "tests.PWR-A.steps cannot be read: each step needs a name"),
    ('read = "common"', 'read = "comon"', "tests.PWR-A.steps names the port 'comon'"),
    ('next = "Meter on the rail."\n', "", "tests.PWR-A.next is missing"),
    ('value = "rail * 3.3 / 4096"', 'value = "rial * 3.3"', "tests.PWR-A.quantities.0.value uses 'rial'"),
    ('value = "rail * 3.3 / 4096"', 'value = "rail ** 2"', "tests.PWR-A.quantities.0.value a formula holds numbers"),
    ('value = "rail * 3.3 / 4096"', 'value = "rail *"', "tests.PWR-A.quantities.0.value formula 'rail *' cannot be read"),
    ("low = 1.0\nhigh = 2.0\n", "", "tests.PWR-A.quantities.0.low is missing, and high as well"),
    ('value = "rail * 3.3 / 4096"', 'value = "rail.mean"', "tests.PWR-A.quantities.0.value a formula holds numbers"),
    ('value = "rail * 3.3 / 4096"', 'value = "R1.sd"', "tests.PWR-A.quantities.0.value uses 'R1.sd'"),
    ('title = "A rail"', 'title = "A rail"\nphase = "plug"', "tests.PWR-A.phase names 'plug'; known are ports"),
    ('title = "A rail"', 'title = "A rail"\naction = "wave"', "tests.PWR-A.action names 'wave'; known are"),
    ('title = "A rail"', 'title = "A rail"\ncounts = "often"', "tests.PWR-A.counts 'often' must be always, when run, never"),
    ('title = "A rail"', 'title = "A rail"\ncovered_by = "PWR-B"', "tests.PWR-A.covered_by names 'PWR-B'"),
    ('read = "common", n', 'read = "common", pull = { common = "sideways" }, n', "tests.PWR-A.steps pulls 'sideways'"),
    ('module = "any"', 'module = "any"\ndriver = "cloud"', "design.driver 'cloud' must be agent or bench"),
    ("run_hours = 8", 'run_hours = 8\nfirst_set = "all"', "policy.first_set is 'all', which is no set of this sheet"),
    ('uncertainty = ["codes 8 rectangular"]\n', "uncertainty = []\n" + QUANTITY, "tests.PWR-A.quantities has 'rail' twice"),
    ("low = 1.0", "low = 3.0", "tests.PWR-A.quantities.0.low 3.0 is above high 2.0"),
    ("low = 1.0", 'low = "1.0"', "tests.PWR-A.quantities.0.low must be a number"),
    ('source = "own"\n', "", "tests.PWR-A.quantities.0.source is missing"),
    ('"codes 8 rectangular"', '"codes 8"', "tests.PWR-A.quantities.0.uncertainty 'codes 8' must be an input, an amount"),
    ('"codes 8 rectangular"', '"codes 8 round"', "tests.PWR-A.quantities.0.uncertainty 'codes 8 round' must be"),
    ('"codes 8 rectangular"', '"code 8 normal"', "tests.PWR-A.quantities.0.uncertainty 'code 8 normal' must be"),
    ('"codes 8 rectangular"', '"codes 8X normal"', "tests.PWR-A.quantities.0.uncertainty '8X' is no amount"),
    ('"codes 8 rectangular"', '"rail x% normal"', "tests.PWR-A.quantities.0.uncertainty"),
    ('"codes 8 rectangular"', "8", "tests.PWR-A.quantities.0.uncertainty must hold texts only"),
    ('source = "own"\n', 'source = "own"\nunits = "V"\n', "tests.PWR-A.quantities.0.units is not known here"),
]


@pytest.mark.parametrize(("old", "new", "told"), FAULTS, ids=[told[:60] for _, _, told in FAULTS])
def test_every_kind_of_fault_is_named_with_its_line_and_key(old: str, new: str, told: str) -> None:
    """The line is that of the key, or of the nearest table where the key is missing."""
    text = _with(old, new)
    faults = _faults(text)
    named = [fault for fault in faults if told in fault]
    assert named, faults
    line = int(named[0].removeprefix("line ").partition(":")[0])
    # `told` begins with the dotted key; its last name, or the table it should stand in, is on the line named.
    path = told.split(" ")[0].split(".")
    assert any(key in text.splitlines()[line - 1] for key in path) or line == 1


DRIVE = """procedure = "stall"
enable = "common"
a = "common"
b = "common"
read = "common"
current = 4
ref = 1
n = 8
every_us = 100
stop = 440
ms = 300
hazard = "It turns."
"""
STEPS = 'procedure = "levels"\nsteps = [{ name = "rail", read = "common", n = 16 }]\n'


def _driving(old: str, new: str) -> list[str]:
    text = SMALL.replace(STEPS, DRIVE.replace(old, new)).replace('value = "rail * 3.3 / 4096"', 'value = "base"')
    return _faults(text)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("ms = 300", "ms = 301", "tests.PWR-A.ms 301 must be a whole number from 1 to 300: a drive pulse ends by itself"),
        ("ms = 300", "ms = 0", "tests.PWR-A.ms 0 must be a whole number"),
        ("ms = 300", 'ms = "long"', "tests.PWR-A.ms 'long' must be a whole number"),
        ('hazard = "It turns."\n', "", "tests.PWR-A.hazard is missing; the procedure stall may move something"),
    ],
)
def test_a_drive_is_short_and_names_its_hazard(old: str, new: str, told: str) -> None:
    """A sheet cannot ask for a longer pulse than the board would end by itself."""
    assert any(told in fault for fault in _driving(old, new))


def test_the_field_set_takes_no_drive_and_no_fixture() -> None:
    """Nothing moves on a board that nobody stands in front of."""
    text = SMALL.replace(STEPS, DRIVE).replace('value = "rail * 3.3 / 4096"', 'value = "base"')
    assert load(text)
    told = _faults(text.replace('sets = ["full"]', 'sets = ["full", "field"]'))
    assert any("what a board does alone drives nothing" in fault for fault in told)
    plugged = SMALL.replace('sets = ["full"]', 'sets = ["full", "field"]\nneeds = ["P-1"]') + "\n[fixtures.P-1]\n"
    assert any("needs no fixture" in fault for fault in _faults(plugged))


def test_a_test_may_only_need_what_its_phase_has_plugged_in() -> None:
    """A phase without the plug cannot carry a test of the plug."""
    phases = '[[phases]]\nname = "ports"\n[[phases]]\nname = "plugged"\nfixtures = ["P-1"]\n'
    text = (
        SMALL.replace("[sets]", phases + "\n[sets]").replace('title = "A rail"', 'title = "A rail"\nneeds = ["P-1"]')
        + "\n[fixtures.P-1]\n"
    )
    assert any("names 'P-1', which the phase ports does not have" in fault for fault in _faults(text))
    assert load(text.replace('needs = ["P-1"]', 'needs = ["P-1"]\nphase = "plugged"'))


def test_the_bench_is_the_author_where_it_drives_the_board() -> None:
    """A board too small for an agent: the same procedures, another author; the plan is then the bench's."""
    text = SMALL.replace('module = "any"', 'module = "any"\ndriver = "bench"')
    assert any("author must be bench" in fault for fault in _faults(text))
    sheet = load(text.replace('author = "board"', 'author = "bench"'))
    assert [json.loads(line)["id"] for line in plan_for(sheet, "full").text.splitlines()[1:]] == ["PWR-A"]


def test_all_faults_are_told_at_once() -> None:
    """Nobody mends a sheet one fault at a time."""
    text = SMALL.replace("run_hours = 8", "run_hours = 8.5").replace('"10k"', '"10K"').replace("low = 1.0", "low = 3.0")
    faults = _faults(text)
    assert len(faults) == 3, faults
    assert [int(fault.split()[1].rstrip(":")) for fault in faults] == [13, 23, 38]


def test_a_text_that_is_no_toml_is_told_as_such() -> None:
    """The parser's own line and column go through."""
    with pytest.raises(SheetInvalid, match=r"not TOML.*line 1"):
        load("format = = 1")


def test_a_formula_holds_no_code() -> None:
    """Calls, attributes, indices, powers, texts and comparisons are refused."""
    code = ("__import__('os')", "a.b", "a[0]", "a ** b", "'a'", "a < b", "lambda: 0", "max()", "max(a, key=b)", "a if b else c")
    for text in code:
        with pytest.raises(ValueError, match="formula"):
            parse(text)
    assert parse("max(a, -b) / 2 + abs(c) * 1e-3").evaluate({"a": 1.0, "b": 2.0, "c": -4.0}) == pytest.approx(0.504)


@pytest.mark.parametrize(
    ("text", "value"), [("4.7k", 4700.0), ("100n", 1e-7), ("9.0 V", 9.0), ("250m", 0.25), ("1M", 1e6), ("-3", -3.0)]
)
def test_amounts_are_read_with_their_prefix(text: str, value: float) -> None:
    """SI prefixes from p to M."""
    assert amount(text) == pytest.approx(value, rel=1e-12)
    assert relative("5%") == pytest.approx(0.05)


# --- what follows from the sheet -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("high = 5.20", "high = 5.25"),
        ('"10k", tolerance = "1%", nets = "V5 V5H"', '"10k", tolerance = "5%", nets = "V5 V5H"'),
        ('"codes 8 rectangular"', '"codes 9 rectangular"'),
        ("certificate_days = 90", "certificate_days = 91"),
        ('better_witness = "PWR-DMM33"\n', ""),
        ('"state.json" = 512', '"state.json" = 513'),
        ("least = 2\n", "least = 3\n"),
        ('counts = "never"\n', ""),
        ('phase = "bare"\nprocedure = "walk"', 'procedure = "walk"'),
    ],
)
def test_the_judging_hash_changes_with_what_judges(old: str, new: str) -> None:
    """Tolerance, part, uncertainty, policy, witness, parameter: each gives a new hash."""
    assert old in TARN
    before, after = load(TARN), load(TARN.replace(old, new))
    assert before.judging_hash != after.judging_hash


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("Use only the approved, labelled mains adapter", "Only the labelled mains adapter may be used"),
        ("Count how often the red lamp blinks", "How often does the red lamp blink? Count"),
        ("Meter on TP5. No 5 V", "Put the meter on TP5. No 5 V"),
        ('title = "5 V rail by ADC"', 'title = "The 5 V rail by ADC"'),
    ],
)
def test_the_judging_hash_stays_when_only_words_change(old: str, new: str) -> None:
    """A caution, a question, a next step, a title: the guide's hash changes and no certificate is touched."""
    assert old in TARN
    before, after = load(TARN), load(TARN.replace(old, new))
    assert before.judging_hash == after.judging_hash
    assert before.guide_hash != after.guide_hash


def test_a_comment_changes_neither_hash() -> None:
    """Hashes are over what was read, not over the file's bytes."""
    before, after = load(TARN), load("# a remark\n" + TARN)
    assert (before.judging_hash, before.guide_hash) == (after.judging_hash, after.guide_hash)


def test_the_patterns_computed_from_the_circuit_are_part_of_the_judging_hash() -> None:
    """What a walk is judged by must not change unseen."""
    assert load(TARN).judging_hash != load(TARN, {"GPIO-WALK": [[1, 1]]}).judging_hash


def test_an_unknown_design_is_told_with_the_known_ones() -> None:
    """A name is id-revision in lower case; a path is no name."""
    for name in ("tarn", "TARN-B", "../tarn-b", "tarn-b.toml"):
        with pytest.raises(UnknownDesign) as caught:
            catalogue.find(name)
        assert "tarn-b" in caught.value.facts["known"]
