"""What others say of a board: the lot it came with, its number in the space's own inventory, its place, a note."""

from collections.abc import Mapping

from benchworthy.acts.gather import board_of
from benchworthy.errors import AlreadyEnrolled, PreconditionFailed
from benchworthy.evidence.recording import enter
from benchworthy.history.records import Board
from benchworthy.ports import Services, Work


def change(serial: str, version: int, values: Mapping[str, str | None], holder: str, work: Work, services: Services) -> Board:
    """Change what is named in `values`. Raises UnknownSerial, PreconditionFailed, AlreadyEnrolled."""
    board = board_of(serial, work, services)
    if board.version != version:
        raise PreconditionFailed(f"{serial} is at version {board.version}, not {version}.", version=board.version)
    changed = {name: value for name, value in values.items() if getattr(board, name) != value}
    if not changed:
        return board
    reference = changed.get("inventory_ref")
    if reference is not None and work.registry.by_inventory_ref(reference) is not None:
        raise AlreadyEnrolled(f"inventory_ref {reference} belongs to another board.", inventory_ref=reference)
    work.registry.change_board(serial, version, changed)
    note = changed.pop("note", None)
    told = {name: [getattr(board, name), value] for name, value in changed.items()}
    enter(board, "renamed", holder, told, work, services, note)
    return board_of(serial, work, services)
