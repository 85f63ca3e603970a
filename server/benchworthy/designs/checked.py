"""Reading a TOML table with every fault collected, each with its key path, before anything is raised."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar, cast

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong in a sheet: the key path and what is wrong with it."""

    path: tuple[str, ...]
    text: str


@dataclass(slots=True)
class Table:
    """A table being read. Unknown keys are faults: a misspelt key must not be silently without effect."""

    values: Mapping[str, Any]
    path: tuple[str, ...]
    faults: list[Fault]
    seen: set[str] = field(default_factory=set)

    def fault(self, key: str, text: str) -> None:
        self.faults.append(Fault((*self.path, key), text))

    def take(self, key: str, kind: type[T], default: T | None = None) -> T:
        """The value of a key, of the kind asked for; a fault and an empty value when it is missing or of another kind."""
        self.seen.add(key)
        if key not in self.values:
            if default is None:
                self.fault(key, "is missing")
                return kind()
            return default
        value = self.values[key]
        if kind is float and isinstance(value, int) and not isinstance(value, bool):
            return cast(T, float(value))
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            self.fault(key, f"must be {_named(kind)}, not {value!r}")
            return default if default is not None else kind()
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts, empty when the key is missing."""
        values = self.take(key, list, [])
        wrong = [value for value in values if not isinstance(value, str)]
        if wrong:
            self.fault(key, f"must hold texts only, not {wrong[0]!r}")
            return ()
        return tuple(values)

    def table(self, key: str, required: bool = True) -> "Table":
        values = self.take(key, dict, None if required else {})
        return Table(values, (*self.path, key), self.faults)

    def tables(self, key: str) -> Sequence["Table"]:
        """The tables of an array of tables."""
        values = self.take(key, list, [])
        return [
            Table(v, (*self.path, key, str(i)), self.faults) if isinstance(v, dict) else Table({}, (*self.path, key), self.faults)
            for i, v in enumerate(values)
        ]

    def close(self, also: frozenset[str] = frozenset()) -> None:
        """Report every key nobody asked for."""
        for key in self.values:
            if key not in self.seen and key not in also:
                self.fault(key, "is not known here; known are " + ", ".join(sorted(self.seen | also)))


def _named(kind: type) -> str:
    return {str: "a text", int: "a whole number", float: "a number", bool: "true or false", list: "a list", dict: "a table"}[kind]
