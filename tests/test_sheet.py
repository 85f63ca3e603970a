"""The sheet: every kind of fault is named with line and key, and the two hashes change for what they stand for."""

from importlib import resources

import pytest

from benchworthy.designs import catalogue
from benchworthy.designs.formula import parse
from benchworthy.designs.loading import load
from benchworthy.designs.parts import amount, relative
from benchworthy.designs.sheet import parts_of
from benchworthy.errors import SheetInvalid, UnknownDesign
from benchworthy.reports.report import Author

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
first = "every test"

[ports]
common = { pin = 26, does = "adc" }

[parts]
R1 = { kind = "resistor", value = "10k", tolerance = "1%", nets = "A B", stage = 1 }

[tests.PWR-A]
title = "A rail"
stage = 1
author = "board"
sets = ["first"]
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
    ('does = "adc"', 'does = "analog"', "ports.common.does 'analog' must be adc, in, out or pwm"),
    ('author = "board"', 'author = "bench"', "tests.PWR-A.author must be board for the procedure levels"),
    ('author = "board"', 'author = "robot"', "tests.PWR-A.author must be board for the procedure levels"),
    ('sets = ["first"]', 'sets = ["frist"]', "tests.PWR-A.sets names 'frist'; known are first"),
    ('sets = ["first"]', 'sets = "first"', "tests.PWR-A.sets must be a list"),
    ('sets = ["first"]', 'sets = ["first"]\nneeds = ["jack"]', "tests.PWR-A.needs names 'jack'; known are none"),
    ('sets = ["first"]', 'sets = ["first"]\nbetter_witness = "PWR-B"', "tests.PWR-A.better_witness names 'PWR-B'"),
    ('procedure = "levels"', 'procedure = "level"', "tests.PWR-A.procedure 'level' is known to no agent version; known are"),
    ('procedure = "levels"', 'procedure = "levels"\ncolour = "red"', "tests.PWR-A.colour is not known to the procedure levels"),
    ('steps = [{ name = "rail", read = "common", n = 16 }]\n', "", "tests.PWR-A.steps is missing; the procedure levels needs it"),
    ('{ name = "rail", read', "{ read", "tests.PWR-A.steps cannot be read: each step needs a name"),
    ('read = "common"', 'read = "comon"', "tests.PWR-A.steps names the port 'comon'"),
    ('next = "Meter on the rail."\n', "", "tests.PWR-A.next is missing"),
    ('value = "rail * 3.3 / 4096"', 'value = "rial * 3.3"', "tests.PWR-A.quantities.0.value uses 'rial'"),
    ('value = "rail * 3.3 / 4096"', 'value = "rail ** 2"', "tests.PWR-A.quantities.0.value a formula holds numbers"),
    ('value = "rail * 3.3 / 4096"', 'value = "rail *"', "tests.PWR-A.quantities.0.value formula 'rail *' cannot be read"),
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


def test_all_faults_are_told_at_once() -> None:
    """Nobody mends a sheet one fault at a time."""
    text = SMALL.replace("run_hours = 8", "run_hours = 8.5").replace('"10k"', '"10K"').replace("low = 1.0", "low = 3.0")
    faults = _faults(text)
    assert len(faults) == 3
    assert [int(fault.split()[1].rstrip(":")) for fault in faults] == [13, 22, 37]


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


def test_the_coverage_is_told_against_the_catalogue() -> None:
    """Every certificate says how much of the trade's catalogue the sheet tests."""
    sheet = catalogue.find("tarn-b")
    assert sheet.coverage == f"{len(sheet.tests)} of the 62 tests of the catalogue"


def test_every_test_of_a_set_has_its_place_in_a_part_or_a_person() -> None:
    """Board and bench tests stand in exactly one part; what must see an empty board comes first."""
    sheet = catalogue.find("tarn-b")
    for name in sheet.sets:
        placed = [test for part in parts_of(sheet, name) for test in part.tests]
        signed = [test.id for test in sheet.tests_of(name) if test.author in (Author.BOARD, Author.BENCH)]
        assert sorted(placed) == sorted(signed)
        assert all(sheet.tests[test].before_plug for test in parts_of(sheet, name)[0].tests)


def test_an_unknown_design_is_told_with_the_known_ones() -> None:
    """A name is id-revision in lower case; a path is no name."""
    for name in ("tarn", "TARN-B", "../tarn-b", "tarn-b.toml"):
        with pytest.raises(UnknownDesign) as caught:
            catalogue.find(name)
        assert "tarn-b" in caught.value.facts["known"]
