"""Boards, benches and tokens come onto the record."""

import json
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from benchworthy.acts.gather import board_of, facts_of
from benchworthy.desk.fitness import Fitness, fitness
from benchworthy.errors import AlreadyEnrolled
from benchworthy.evidence.recording import enter, enter_site
from benchworthy.history.records import Access, Bench, Board
from benchworthy.ports import Services, Work

ROLES = ("coordinator", "tester", "inspector", "desk", "reader")
SCOPES = ("all", "read", "reports")


@dataclass(frozen=True, slots=True)
class Enrolment:
    """What is written onto a board when it is enrolled."""

    serial: str
    design: str
    virtual: bool
    kit_lot: str | None
    inventory_ref: str | None
    place: str | None = None
    note: str | None = None
    module: str | None = None
    staged: bool = False


def enrol(wanted: Enrolment, holder: str, work: Work, services: Services) -> tuple[Board, str]:
    """Enrol a board; returns it with its field key in hex, which is told once. Raises AlreadyEnrolled, UnknownDesign."""
    check(wanted, work, services)
    board = Board(
        wanted.serial,
        services.site,
        wanted.design,
        wanted.virtual,
        1,
        wanted.module,
        wanted.kit_lot,
        wanted.inventory_ref,
        services.now(),
        1,
        wanted.place,
        wanted.note,
        wanted.staged,
    )
    work.registry.add_board(board)
    names = ("design", "virtual", "kit_lot", "inventory_ref", "place", "module")
    facts = {**{name: getattr(board, name) for name in names}, **({"staged": True} if board.staged else {})}
    enter(board, "enrolled", holder, facts, work, services, board.note)
    return board, services.derive_field_key(board.serial, board.epoch)


def check(wanted: Enrolment, work: Work, services: Services) -> None:
    """Whether the board could be enrolled now. Raises AlreadyEnrolled, UnknownDesign."""
    services.find_sheet(wanted.design)
    if work.registry.board(wanted.serial) is not None:
        raise AlreadyEnrolled(f"{wanted.serial} is enrolled already.", serial=wanted.serial)
    if wanted.inventory_ref is not None and work.registry.by_inventory_ref(wanted.inventory_ref) is not None:
        raise AlreadyEnrolled(
            f"inventory_ref {wanted.inventory_ref} belongs to another board.", inventory_ref=wanted.inventory_ref
        )
    owners = work.registry.owners(wanted.module) if wanted.module else ()
    if owners:
        raise AlreadyEnrolled(f"The module {wanted.module} is bound to {', '.join(owners)}.", module=wanted.module)


def register_bench(name: str, thumbprint: str, jwk: dict[str, Any], holder: str, work: Work, services: Services) -> Bench:
    """Register a bench's public key. Raises AlreadyEnrolled."""
    if work.registry.bench(thumbprint) is not None:
        raise AlreadyEnrolled(f"The key {thumbprint} is registered already.", thumbprint=thumbprint)
    text = json.dumps(jwk, sort_keys=True, separators=(",", ":"))
    bench = Bench(thumbprint, services.site, name, text, holder, services.now(), None)
    work.registry.add_bench(bench)
    enter_site("bench-registered", holder, {"thumbprint": thumbprint, "name": name}, work, services)
    return bench


def register_token(
    fingerprint: str, role: str, code: str, days: int | None, holder: str, work: Work, services: Services, scope: str = "all"
) -> Access:
    """Put a new token's fingerprint on record."""
    now = services.now()
    until: datetime | None = now + timedelta(days=days) if days else None
    access = Access(fingerprint, services.site, role, code, now, until, None, scope)
    work.registry.add_access(access)
    facts = {"role": role, "holder": code, "scope": scope, "token": fingerprint[:12]}
    enter_site("token-created", holder, facts, work, services)
    return access


def fitness_of(serial: str, work: Work, services: Services) -> tuple[Board, Fitness]:
    """The board and the answer of this moment. Raises UnknownSerial."""
    board = board_of(serial, work, services)
    return board, fitness(facts_of(board, work, services), services.now())
