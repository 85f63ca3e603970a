"""May another module take the place of the one on record? Each module has a history of its own, and they are never crossed."""

from dataclasses import dataclass

from benchworthy.desk.facts import Unmet
from benchworthy.desk.states import Act, State, refusal


@dataclass(frozen=True, slots=True)
class Swap:
    """A swap as it is told: `module` is the new one's id where it is known, `scanned` the label in front of the person."""

    serial: str
    scanned: str
    module: str | None
    reason: str


def unmet_conditions(swap: Swap, state: State, bound: str | None, owner: str | None, open_run: str | None) -> tuple[Unmet, ...]:
    """Everything against it. `owner` is the board that the new module is bound to, `open_run` one of this board."""
    unmet = [*refusal(Act.SWAP, state, swap.serial)]
    if swap.scanned != swap.serial:
        told = f"The scanned label {swap.scanned} is not {swap.serial}."
        unmet.append(Unmet("label-differs", told, swap.scanned, "Scan the label of the carrier that got another module."))
    if open_run is not None:
        told = f"Run {open_run} is open; what it holds was measured with the module before."
        unmet.append(Unmet("run-open", told, open_run, "Close it with POST /api/v1/runs/{run}/close, then record the swap."))
    if swap.module is not None and swap.module == bound:
        told = f"Module {bound} is the one on record."
        unmet.append(
            Unmet("module-not-new", told, swap.serial, "There is nothing to record unless another module was plugged in.")
        )
    elif owner is not None and owner != swap.serial:
        unmet.append(of_another(swap.module or "", owner))
    return tuple(unmet)


def of_another(module: str, owner: str) -> Unmet:
    """A module that is bound to another board."""
    told = f"Module {module} is bound to {owner}."
    advice = f"See which module {owner} has now and record it with POST /api/v1/boards/{owner}/modules first, then come back."
    return Unmet("module-of-another", told, owner, advice)
