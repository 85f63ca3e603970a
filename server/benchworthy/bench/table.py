"""What stands on the bench's table: fixtures fitted, the rig's switch, jack and cable; put in order for each test."""

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Final

from benchworthy.bench.people import Operator
from benchworthy.designs.procedures import PROCEDURES
from benchworthy.designs.sheet import Phase, Test

_RIG: Final = ("rig-motor", "rig-held")
_NEEDS_A_REASON: Final = "Motor outputs M1 and M2: wheels clear, fingers away, eyes on it."


def drives(test: Test) -> bool:
    """Whether a test puts power on a motor output."""
    known = PROCEDURES.get(test.procedure)
    return known is not None and known.pulse_ms is not None


@dataclass(slots=True)
class Table:
    """`fixtures` maps kind to serial number of what the person has; `absent` is what is not there, such as the jack."""

    operator: Operator
    fixtures: Mapping[str, str]
    absent: frozenset[str]
    fitted: list[str] = field(default_factory=list)
    _rig: str = ""
    _phase_action: str = ""
    _cleared: bool = False

    @contextmanager
    def phase(self, phase: Phase, wanted: Iterable[str]) -> Iterator[None]:
        """Fit what the phase wants and take off what it does not; afterwards what was pulled is put back.

        When a phase is left by a failure nothing is asked any more: whoever told of the failure has the floor.
        """
        self._fit([name for name in phase.fixtures if name in set(wanted) and name in self.fixtures])
        self._cleared = False
        self._phase_action = self._act(phase.action, phase.ask)
        yield
        if self._rig:
            self.operator.undo(self._rig)
            self._rig = ""
        if self._phase_action:
            self.operator.undo(self._phase_action)
            self._phase_action = ""

    @contextmanager
    def ready(self, test: Test) -> Iterator[None]:
        """Have a person do what a test needs, and say "clear" before the first drive of a phase."""
        action = test.action
        done = ""
        if action in (*_RIG, "rig-loads"):
            self._turn(action, test.ask)
        elif action != self._phase_action:
            done = self._act(action, test.ask)
        if drives(test) and not self._cleared:
            self.operator.clear(test.hazard or _NEEDS_A_REASON)
            self._cleared = True
        yield
        if done:
            self.operator.undo(done)

    def empty(self) -> None:
        """Take everything off."""
        self._fit([])

    def _fit(self, wanted: list[str]) -> None:
        for name in [name for name in self.fitted if name not in wanted]:
            self.operator.remove(name)
            self.fitted.remove(name)
        for name in [name for name in wanted if name not in self.fitted]:
            self.operator.fit(name, self.fixtures[name])
            self.fitted.append(name)

    def _turn(self, action: str, ask: str) -> None:
        if self._rig == action or (action == "rig-loads" and not self._rig):
            return
        self.operator.act(action, ask)
        self._rig = action if action in _RIG else ""

    def _act(self, action: str, ask: str) -> str:
        """Have something done; the action when it has to be undone later."""
        if not action or (action == "pull-jack" and "jack" in self.absent):
            return ""
        self.operator.act(action, ask)
        return action
