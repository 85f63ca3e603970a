"""A report: who measured what, when by its own count, and the readings as integers or text."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any


class Author(StrEnum):
    """Who signs a piece of evidence. A sheet gives each test exactly one."""

    BOARD = "board"
    BENCH = "bench"
    OPERATOR = "operator"
    INSPECTOR = "inspector"


class EvidenceClass(StrEnum):
    """Field evidence may raise doubt; bench evidence (a complete run) alone certifies."""

    FIELD = "field"
    BENCH = "bench"


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a measurement: count, sum, sum of squares, least and greatest of raw integers."""

    n: int
    total: int
    squares: int
    least: int
    greatest: int

    @property
    def mean(self) -> float:
        return self.total / self.n

    @property
    def variance(self) -> float:
        """Variance of one observation (divisor n - 1); 0 for a single one."""
        if self.n < 2:
            return 0.0
        return max(0.0, (self.squares - self.total * self.total / self.n) / (self.n - 1))


@dataclass(frozen=True, slots=True)
class Reading:
    """What one author says of one test: exactly one of the fields beside `test` and `draw` is set."""

    test: str
    steps: tuple[Step, ...] | None = None
    text: str | None = None
    number: float | None = None
    items: Mapping[str, str] | None = None
    not_run: str | None = None
    error: str | None = None
    draw: int = 1


@dataclass(frozen=True, slots=True)
class Report:
    """One signed report. `run`, `nonce` and `part` are None in the field."""

    serial: str
    module: str
    design: str
    plan: str
    agent_version: str
    agent_hash: str
    firmware: str
    epoch: int
    boot: int
    seq: int
    ms: int
    readings: tuple[Reading, ...]
    run: str | None = None
    nonce: str | None = None
    part: int | None = None
    seen: Mapping[str, Any] | None = None
    clock: str | None = None
