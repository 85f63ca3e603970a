"""Which acts each state of a board allows, who may do them, and what would make a refused one possible."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from benchworthy.desk.facts import Unmet


class State(StrEnum):
    """Where a board stands. Each is derived from the record; none can be set, and fit least of all."""

    KIT = "kit"
    IN_BUILD = "in build"
    UNDER_TEST = "under test"
    FIT = "fit"
    RESERVED = "reserved"
    ON_LOAN = "on loan"
    RETURNED = "returned"
    HELD = "held"
    IN_REPAIR = "in repair"
    RETIRED = "retired"
    RETIRED_FOR_PARTS = "retired (parts)"
    MISSING = "missing"


GONE = frozenset({State.RETIRED, State.RETIRED_FOR_PARTS})
AWAY = frozenset({State.ON_LOAN, State.MISSING})
HERE = frozenset(State) - GONE - AWAY


class Act(StrEnum):
    """What people do with a board at the desk."""

    SIGN_OFF = "sign off a stage"
    CERTIFY = "certify"
    RESERVE = "reserve"
    LEND = "lend"
    TAKE_BACK = "take back"
    CHECK_IN = "check in"
    HOLD = "hold"
    RELEASE = "release the hold"
    DEFECT = "report a defect"
    REPAIR = "repair"
    SWAP = "swap the module"
    WAIVE = "waive a test"
    RETIRE = "retire"
    MISS = "record as missing"


@dataclass(frozen=True, slots=True)
class Rule:
    """In which states an act is possible, for which roles besides the coordinator, and how to get there."""

    states: frozenset[State]
    roles: frozenset[str]
    instead: str


_STAFF = frozenset({"desk", "tester", "inspector"})
_BACK_FIRST = "Take the board back first."
RULES: Mapping[Act, Rule] = {
    Act.SIGN_OFF: Rule(HERE, frozenset({"inspector"}), _BACK_FIRST),
    Act.CERTIFY: Rule(HERE - {State.HELD}, frozenset({"tester"}), "Take the board back, or release its hold, first."),
    Act.RESERVE: Rule(frozenset({State.FIT}), frozenset({"desk"}), "Certify the board first; only a fit one is reserved."),
    Act.LEND: Rule(
        frozenset({State.FIT, State.RESERVED}), frozenset({"desk"}), "Certify the board first; its fitness says what is wanting."
    ),
    Act.TAKE_BACK: Rule(AWAY, frozenset({"desk"}), "Only a board that is out comes back."),
    Act.CHECK_IN: Rule(
        frozenset({State.RETURNED}), frozenset({"desk", "tester"}), "Take the board back with its label scanned first."
    ),
    Act.HOLD: Rule(frozenset(State) - GONE, _STAFF, "Nothing holds what is retired."),
    Act.RELEASE: Rule(
        frozenset({State.HELD, State.RETURNED, State.IN_REPAIR}),
        frozenset({"tester"}),
        "Only a held board is released, and only here.",
    ),
    Act.DEFECT: Rule(frozenset(State) - GONE, _STAFF, "A retired board has no defects to mend."),
    Act.REPAIR: Rule(HERE, frozenset({"tester"}), _BACK_FIRST),
    Act.SWAP: Rule(HERE, frozenset({"tester"}), _BACK_FIRST),
    Act.WAIVE: Rule(HERE, frozenset(), _BACK_FIRST),
    Act.RETIRE: Rule(
        frozenset(State) - GONE - {State.ON_LOAN}, frozenset(), "Take the board back, or record it as missing, first."
    ),
    Act.MISS: Rule(frozenset({State.ON_LOAN}), frozenset({"desk"}), "Only a board on loan goes missing here; lend or retire it."),
}


def refusal(act: Act, state: State, serial: str) -> tuple[Unmet, ...]:
    """Why the act is impossible in this state, with what would make it possible; empty when it is possible."""
    rule = RULES[act]
    if state in rule.states:
        return ()
    instead = "A retired board stays retired; its serial number is never used again." if state in GONE else rule.instead
    return (Unmet("not-in-this-state", f"{serial} is {state}; to {act} is not possible now.", serial, instead),)


def may(act: Act, role: str) -> bool:
    """Whether somebody with this role does such a thing."""
    return role == "coordinator" or role in RULES[act].roles
