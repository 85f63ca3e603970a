"""How long a set of tests takes: it belongs to the guide part of a sheet, and nothing is judged by it."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Effort:
    """Seconds from the first test to the last, and those in which a person is tied, fitting and unplugging included."""

    seconds: int
    hands: int
