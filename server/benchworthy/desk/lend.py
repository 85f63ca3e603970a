"""May this board go out until the due date?"""

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
