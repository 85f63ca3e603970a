"""What a repair does to a board: it reopens the stage of its part and all later ones, and a board bears only so many."""

from collections import Counter
from collections.abc import Iterable
from datetime import datetime

from benchworthy.designs.parts import Part
from benchworthy.desk.facts import Unmet
from benchworthy.desk.life import Life, RepairFacts

# Common practice, no standard: pads lift with every further heating.
OF_ONE_PART = 2
OF_ONE_STAGE = 3


def unmet_conditions(serial: str, part: str, parts: Iterable[str], defects: Iterable[int], life: Life) -> tuple[Unmet, ...]:
    """What keeps this repair from being recorded: a part or a defect that the record does not know."""
    unmet = []
    if part not in frozenset(parts):
        unmet.append(Unmet("part-unknown", f"The sheet has no part {part}.", part, "Give the reference printed on the carrier."))
    return (*unmet, *unknown_defects(serial, defects, life))


def unknown_defects(serial: str, numbers: Iterable[int], life: Life) -> tuple[Unmet, ...]:
    """Each number that is no open defect of this board."""
    advice = "Give the numbers of open defects; GET /api/v1/boards/{serial}/life lists them."
    unknown = sorted(set(numbers) - {defect.id for defect in life.defects})
    return tuple(Unmet("defect-not-open", f"{serial} has no open defect {n}.", str(n), advice) for n in unknown)


def stage_of(part: Part) -> int:
    """The stage in which a part is soldered; one that the sheet gives no stage reopens everything."""
    return part.stage or 1


def reopened(life: Life, full_run_at: datetime | None) -> tuple[int, ...]:
    """Stages that a repair reopened and that nobody signed since; a complete run of the whole set settles all before it."""
    found: set[int] = set()
    for repair in life.repairs:
        if full_run_at is not None and full_run_at > repair.at:
            continue
        later = {sign.stage for sign in life.sign_offs if sign.at > repair.at}
        if repair.stage not in later:
            found.add(repair.stage)
    return tuple(sorted(found))


def used_up(serial: str, repairs: Iterable[RepairFacts]) -> tuple[Unmet, ...]:
    """A repair that was made is always recorded; one too many leaves only retirement."""
    done = tuple(repairs)
    parts, stages = Counter(r.part for r in done), Counter(r.stage for r in done)
    worn = [f"{part} was repaired {count} times" for part, count in sorted(parts.items()) if count > OF_ONE_PART]
    worn += [f"stage {stage} was repaired {count} times" for stage, count in sorted(stages.items()) if count > OF_ONE_STAGE]
    if not worn:
        return ()
    told = f"{serial}: {'; '.join(worn)}."
    return (Unmet("repairs-used-up", told, serial, "A coordinator retires the board; it may give spares."),)
