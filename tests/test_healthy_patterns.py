"""What a sound board must read in a walk is computed from the circuit, never typed in."""

import json
from importlib import resources

from benchworthy.designs import agent_release, catalogue
from benchworthy.designs.sheet import Pattern
from benchworthy.judging.decision import Verdict
from benchworthy.judging.tests import Expected, Outcome, judge_reading
from benchworthy.reports.report import Reading, Step
from benchworthy.virtual import healthy

SHEET = catalogue.find("tarn-b")
WALK = SHEET.tests["GPIO-WALK"]
EXPECTED = Expected(None, agent_release.current())


def test_the_stored_patterns_are_those_of_the_circuit() -> None:
    """After a change of parts or nets: `benchworthy design compute tarn-b`."""
    stored = json.loads((resources.files("benchworthy.designs.library") / "tarn-b.computed.json").read_text())
    assert stored["patterns"] == healthy.patterns(SHEET)


def test_every_driven_pin_is_decided_in_its_own_steps() -> None:
    """A pin that a sound board drives must itself read what it drives, else the walk would not see it stuck."""
    ports = WALK.parameters["ports"]
    patterns = dict(zip(WALK.steps, SHEET.patterns["GPIO-WALK"], strict=True))
    for bit, port in enumerate(ports):
        for level, name in ((1, f"one_{port}"), (0, f"zero_{port}")):
            assert patterns[name].care >> bit & 1, name
            assert patterns[name].expected >> bit & 1 == level, name


def walked(change: dict[str, int]) -> Outcome:
    """The walk of a sound board with some bits of some steps turned over."""
    patterns: tuple[Pattern, ...] = SHEET.patterns["GPIO-WALK"]
    masks = [p.expected ^ change.get(name, 0) for name, p in zip(WALK.steps, patterns, strict=True)]
    steps = tuple(Step(1, mask, mask * mask, mask, mask) for mask in masks)
    return judge_reading(SHEET, WALK, Reading("GPIO-WALK", steps=steps), EXPECTED)


def test_a_sound_walk_is_in_limits_and_a_bridge_is_out_with_its_pins_named() -> None:
    """in1 and in2 bridged: when one is driven high the other reads high too."""
    assert walked({}).verdict is Verdict.IN_LIMITS
    ports = list(WALK.parameters["ports"])
    in1, in2 = ports.index("in1"), ports.index("in2")
    outcome = walked({"one_in1": 1 << in2, "one_in2": 1 << in1})
    assert outcome.verdict is Verdict.OUT
    assert "one in1: in2" in outcome.sentence and "one in2: in1" in outcome.sentence


def test_bits_that_a_sound_board_may_read_either_way_do_not_count() -> None:
    """The lamp pulled up sits near the thresholds."""
    first = SHEET.patterns["GPIO-WALK"][0]
    undecided = ~first.care & ((1 << len(WALK.parameters["ports"])) - 1)
    assert undecided and walked({"all_up": undecided}).verdict is Verdict.IN_LIMITS
