"""May this board go out until the due date?"""

from collections.abc import Mapping
from datetime import datetime

from benchworthy.designs.sheet import stage_of
from benchworthy.desk.facts import BoardFacts, Unmet
from benchworthy.desk.fitness import Fitness


def unmet_conditions(facts: BoardFacts, current: Fitness, due: datetime, now: datetime) -> tuple[Unmet, ...]:
    """Everything that keeps the board here; empty means it may go."""
    unmet = list(current.unmet)
    if facts.on_loan:
        unmet.append(Unmet("on-loan", f"{facts.serial} is on loan already.", facts.serial, "Take it back first."))
    if due <= now:
        unmet.append(Unmet("due-in-the-past", f"The due date {due:%Y-%m-%d} has passed.", facts.serial, "Give a later date."))
    if current.until is not None and current.until < due:
        unmet.append(
            Unmet(
                "certificate-ends-before-due",
                f"The certificate ends on {current.until:%Y-%m-%d}, before the due date.",
                facts.certificate.id if facts.certificate else facts.serial,
                "Renew it first, or lend for a shorter time.",
            )
        )
    certified = facts.certificate.run if facts.certificate else None
    whole = [run for run in facts.runs if stage_of(run.test_set) is None]  # the run of a stage may leave the files out
    last = next((run for run in whole if run.complete or run.id == certified), None)
    if last is not None and not last.secrets_absent:
        unmet.append(
            Unmet(
                "secrets-on-board",
                "The last complete run saw a network's secrets on the board.",
                last.id,
                "Remove secrets.json and run the bench's file check again.",
            )
        )
    return tuple(unmet)


def uncounted(serial: str, listed: Mapping[str, int], counted: Mapping[str, int]) -> tuple[Unmet, ...]:
    """What the sheet lends with the board and nobody counted, and what was counted and stands on no list."""
    lacking = short(listed, counted)
    strange = [name for name in counted if name not in listed]
    unmet = []
    if lacking:
        told = f"Not counted with {serial}: {told_of(lacking)}."
        advice = f"Count what goes with it: {told_of(listed)}; put in what is lacking."
        unmet.append(Unmet("accessories-missing", told, serial, advice))
    if strange:
        told = f"The sheet of {serial} lists no {', '.join(sorted(strange))}."
        advice = f"Name them as the sheet does: {told_of(listed)}." if listed else "This board is lent by itself."
        unmet.append(Unmet("accessory-unknown", told, serial, advice))
    return tuple(unmet)


def short(wanted: Mapping[str, int], counted: Mapping[str, int]) -> dict[str, int]:
    """How many of each are lacking; what is there is left out."""
    lacking = {name: number - counted.get(name, 0) for name, number in wanted.items()}
    return {name: number for name, number in lacking.items() if number > 0}


def told_of(things: Mapping[str, int]) -> str:
    """2 motor, 1 servo."""
    return ", ".join(f"{number} {name}" for name, number in things.items())
