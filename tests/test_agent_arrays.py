"""The same procedure files on arrays of boards: three at once read, integer by integer, what each reads alone.

That holds only while no procedure decides by a reading: a condition on an array raises by itself.
"""

from types import ModuleType
from typing import Any

import numpy as np
import pytest

from agent_on_micropython.toy import ARGUMENTS, ToyBoard, ToyTime
from test_procedures import MEASURING, Trial, on_cpython

BOARDS = (0, 7, 22)


class Boards:
    """Three toy boards as one: what is done is done to all, and what is read is an array."""

    def __init__(self, time: ToyTime) -> None:
        # One clock moves for all; each board alone would move it again for the same wait.
        self._boards = [ToyBoard(time if place == 0 else ToyTime(), more) for place, more in enumerate(BOARDS)]
        self.log = self._boards[0].log

    def __getattr__(self, name: str) -> Any:
        functions = [getattr(board, name) for board in self._boards]
        return lambda *given: stacked([function(*given) for function in functions])


def stacked(answers: list[Any]) -> Any:
    """Numbers of three boards as one array, at the same place in lists and tuples."""
    first = answers[0]
    if isinstance(first, list | tuple):
        return type(first)(stacked(list(each)) for each in zip(*answers, strict=True))
    if isinstance(first, bool) or first is None:
        return first
    return np.array(answers, dtype=np.int64)


@pytest.fixture
def agent(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    return on_cpython(monkeypatch)


@pytest.mark.parametrize("procedure", MEASURING)
def test_three_boards_at_once_read_what_each_reads_alone(agent: ModuleType, procedure: str) -> None:
    """Every integer of every step."""
    alone = [Trial(agent, procedure, more).content for more in BOARDS]
    time = ToyTime()
    line = {"id": "T", "p": procedure, "a": ARGUMENTS[procedure]}
    kind, steps = agent.carry_out(Boards(time), agent.Clock(time, lambda: None, True), line)
    assert kind == "steps", steps
    for board in range(len(BOARDS)):
        assert [[int(number if np.isscalar(number) else number[board]) for number in step] for step in steps] == alone[board]


def test_a_condition_on_a_reading_is_found(agent: ModuleType) -> None:
    """What a judging procedure would do: it works for one board and raises for three."""

    def judging(hw: Any) -> int:
        return 1 if hw.burst("common", 4)[1] > 100 else 0

    assert judging(ToyBoard(ToyTime())) in (0, 1)
    with pytest.raises(ValueError, match="truth value of an array"):
        judging(Boards(ToyTime()))
