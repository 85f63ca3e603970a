"""The build, stage by stage: a stage opens when the one before it is signed, and a second person signs."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from benchworthy.designs.sheet import Counts, Sheet, stage_of, stage_set
from benchworthy.desk.facts import BoardFacts, RunSummary, Unmet
from benchworthy.desk.life import Life, SignOff

_SIGN = "POST /api/v1/boards/{serial}/stages/{stage}."
SIGNED, OPEN, CLOSED = "signed", "open", "closed"


@dataclass(frozen=True, slots=True)
class StageStanding:
    """One stage as it stands: signed, open (the next to be signed) or closed (an earlier one is not signed).

    `wanting` are its gate tests that are not in limits yet; of a signed stage there are none.
    """

    number: int
    title: str
    state: str
    builder: str | None
    signed_by: str | None
    at: datetime | None
    wanting: tuple[str, ...]


def known(sheet: Sheet) -> tuple[int, ...]:
    """The stages of a design, in the order of the build."""
    return tuple(sorted(sheet.stages or {test.stage for test in sheet.tests.values()}))


def signed(life: Life) -> frozenset[int]:
    """Stages whose sign-off stands: nothing of the stage, or of an earlier one, was repaired since."""
    return frozenset(sign_offs(life))


def sign_offs(life: Life) -> Mapping[int, SignOff]:
    """Stage to the sign-off that stands."""
    return {
        sign.stage: sign
        for sign in life.sign_offs
        if not any(repair.stage <= sign.stage and repair.at >= sign.at for repair in life.repairs)
    }


def open_stages(staged: bool, life: Life, sheet: Sheet) -> tuple[int, ...]:
    """Stages that are to be signed before a certificate: all, where the house said so or once signed the first one."""
    numbers = known(sheet)
    begun = staged or any(sign.stage == numbers[0] for sign in life.sign_offs)
    return tuple(number for number in numbers if number not in signed(life)) if begun else ()


def not_signed(facts: BoardFacts) -> tuple[Unmet, ...]:
    """One unmet condition for each open stage."""
    return tuple(
        Unmet(
            "stage-not-signed",
            f"Stage {number} of the build is not signed.",
            facts.serial,
            f"Run the set `{stage_set(number)}`; a second person signs with " + _SIGN,
        )
        for number in facts.open_stages
    )


def unmet_conditions(
    facts: BoardFacts, stage: int, stages: Iterable[int], builder: str, inspector: str, one_person: bool, wanting: Iterable[str]
) -> tuple[Unmet, ...]:
    """What keeps a stage from being signed; `wanting` are its gate tests not in limits, `one_person` is the site's policy."""
    numbers, standing = sorted(stages), signed(facts.life)
    if stage not in numbers:
        told = f"The sheet has no stage {stage}."
        return (Unmet("stage-unknown", told, facts.serial, f"The stages are {', '.join(map(str, numbers))}."),)
    unmet = [
        Unmet("stage-before-open", f"Stage {before} is not signed.", facts.serial, f"Sign stage {before} first.")
        for before in numbers
        if before < stage and before not in standing
    ]
    if builder == inspector and not one_person:
        told = "Who built the stage also looked at it."
        unmet.append(Unmet("inspector-not-second-person", told, facts.serial, "A second person looks at the stage and signs."))
    unmet += [
        Unmet(
            "gate-not-passed",
            f"{test} of stage {stage} is not in limits.",
            facts.serial,
            f"Run {test}, in a run of the set `{stage_set(stage)}`, and mend what it names.",
        )
        for test in wanting
    ]
    return tuple(unmet)


def gates_wanting(facts: BoardFacts, stage: int, sheet: Sheet) -> tuple[str, ...]:
    """Gate tests of a stage whose newest evidence is not in limits: its own tests, and those it repeats.

    In limits counts only in a run of a board that has this stage's parts, and after the last repair. An out counts anywhere.
    """
    first = sheet.policy.first_set
    wanted = sheet.tests_of(stage_set(stage)) or [test for test in sheet.tests_of(first) if test.stage == stage]
    gates = [test.id for test in wanted if test.counts is Counts.ALWAYS and test.id not in facts.waived]
    runs = [run for run in facts.runs if facts.repaired_at is None or run.opened_at > facts.repaired_at]
    return tuple(gate for gate in gates if not _passed(gate, [(run, _reaches(run, stage, first)) for run in runs]))


def _passed(gate: str, runs: Iterable[tuple[RunSummary, bool]]) -> bool:
    told = (run for run, reaches in runs if gate in run.outs or (reaches and gate in run.in_limits))
    newest = next(told, None)
    return newest is not None and gate not in newest.outs


def _reaches(run: RunSummary, stage: int, first_set: str) -> bool:
    reached = stage_of(run.test_set)
    return run.test_set == first_set if reached is None else reached >= stage


def standing(facts: BoardFacts, sheet: Sheet) -> tuple[StageStanding, ...]:
    """Every stage of the board's design as it stands."""
    signs, found, before = sign_offs(facts.life), [], True
    for number in known(sheet):
        title = sheet.stages[number].title if number in sheet.stages else f"Stage {number}"
        sign = signs.get(number)
        state = SIGNED if sign else OPEN if before else CLOSED
        if sign is None:
            found.append(StageStanding(number, title, state, None, None, None, gates_wanting(facts, number, sheet)))
        else:
            found.append(StageStanding(number, title, state, sign.builder, sign.inspector, sign.at, ()))
        before = before and sign is not None
    return tuple(found)
