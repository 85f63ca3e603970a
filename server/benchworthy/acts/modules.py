"""The module of a board is swapped: a new epoch with a new field key; what the old module did stays on record."""

from collections.abc import Sequence
from dataclasses import dataclass

from benchworthy.acts.gather import board_of, facts_of
from benchworthy.acts.lapsing import lapse, refuse
from benchworthy.desk import modules
from benchworthy.desk.fitness import fitness
from benchworthy.desk.lapses import MODULE
from benchworthy.desk.modules import Swap
from benchworthy.evidence.recording import enter
from benchworthy.history.records import Board, BoundModule
from benchworthy.ports import Services, Work


@dataclass(frozen=True, slots=True)
class Swapped:
    """What came of a swap: the board in its new epoch, its new secrets (told once), the certificates that lapsed."""

    board: Board
    field_key: str
    broker_password: str
    lapsed: Sequence[str]


def swap(told: Swap, holder: str, work: Work, services: Services) -> Swapped:
    """Raises UnknownSerial, ActRefused. Without a module's id the next complete run binds the one that the bench reads."""
    board = board_of(told.serial, work, services)
    facts, now = facts_of(board, work, services), services.now()
    owner = bound_elsewhere(told.module, board.serial, work) if told.module else None
    open_run = next((run.id for run in facts.runs if run.closed_at is None), None)
    unmet = modules.unmet_conditions(told, fitness(facts, now).state, board.module, owner, open_run)
    refuse(f"The module of {told.serial} stays on record.", "swap the module", unmet)
    work.registry.new_epoch(board.serial, board.epoch + 1, told.module, now)
    before, board = board.module, board_of(board.serial, work, services)
    changed = {"epoch": board.epoch, "module": told.module, "before": before}
    enter(board, "module-swapped", holder, changed, work, services, told.reason)
    lapsed = lapse(board, MODULE, holder, {"epoch": board.epoch}, work, services)
    key = services.derive_field_key(board.serial, board.epoch)
    return Swapped(board, key, services.derive_broker_password(board.serial, board.epoch), lapsed)


def listed(serial: str, after: int, limit: int, work: Work, services: Services) -> Sequence[BoundModule]:
    """The modules a board has had, by epoch. Raises UnknownSerial."""
    return work.registry.modules(board_of(serial, work, services).serial, after, limit)


def bound_elsewhere(module: str, serial: str, work: Work) -> str | None:
    """The other board that this module is bound to now. A retired one gave it away."""
    for owner in work.registry.owners(module):
        if owner != serial and work.life.of(owner).retired is None:
            return owner
    return None
