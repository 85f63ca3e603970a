"""The build, stage by stage: a stage opens when the one before it is signed, and a second person signs."""

from collections.abc import Iterable

from benchworthy.designs.sheet import Counts, Test
from benchworthy.desk.facts import BoardFacts, Unmet
from benchworthy.desk.life import Life


def signed(life: Life) -> frozenset[int]:
    """Stages whose sign-off stands: nothing of the stage, or of an earlier one, was repaired since."""
    return frozenset(
        sign.stage
        for sign in life.sign_offs
        if not any(repair.stage <= sign.stage and repair.at >= sign.at for repair in life.repairs)
    )


def unmet_conditions(
    facts: BoardFacts, stage: int, stages: Iterable[int], builder: str, inspector: str, one_person: bool, wanting: Iterable[str]
) -> tuple[Unmet, ...]:
    """What keeps a stage from being signed; `wanting` are its gate tests not in limits, `one_person` is the site's policy."""
    known, standing = sorted(stages), signed(facts.life)
    if stage not in known:
        told = f"The sheet has no stage {stage}."
        return (Unmet("stage-unknown", told, facts.serial, f"The stages are {', '.join(map(str, known))}."),)
    unmet = [
        Unmet("stage-before-open", f"Stage {before} is not signed.", facts.serial, f"Sign stage {before} first.")
        for before in known
        if before < stage and before not in standing
    ]
    if builder == inspector and not one_person:
        told = "Who built the stage also looked at it."
        unmet.append(Unmet("inspector-not-second-person", told, facts.serial, "A second person looks at the stage and signs."))
    unmet += [
        Unmet(
            "gate-not-passed", f"{test} of stage {stage} is not in limits.", facts.serial, f"Run {test} and mend what it names."
        )
        for test in wanting
    ]
    return tuple(unmet)


def gates_wanting(facts: BoardFacts, stage: int, tests: Iterable[Test]) -> tuple[str, ...]:
    """Tests of the stage that decide something and whose newest evidence since the last repair is not in limits."""
    gates = [test.id for test in tests if test.stage == stage and test.counts is Counts.ALWAYS]
    runs = [run for run in facts.runs if facts.repaired_at is None or run.opened_at > facts.repaired_at]
    passed = set()
    for gate in gates:
        told = next((run for run in runs if gate in run.outs or gate in run.in_limits), None)
        if told is not None and gate not in told.outs:
            passed.add(gate)
    return tuple(gate for gate in gates if gate not in passed)
