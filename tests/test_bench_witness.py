"""A marginal calls for a better measurement in the same run, while the board is still on the table."""

from pathlib import Path
from typing import Any

import pytest

from bench_hands import FIXTURES, Bench, Hands, bench, verdicts

# R3 a little high: the board reads its 5 V rail at 4.77 V, outside 4.80 V by less than U, while the rail is right.
MARGINAL = "R3=10.96k"


class WithMeter(Hands):
    """Reads the board's 5 V rail when asked for it."""

    def read_meter(self, test: str, ask: str, quantity: str = "") -> float:
        self.did.append(f"meter {test}")
        return self.hands.meter("V5")


@pytest.fixture
def table(tmp_path: Path) -> Any:
    with bench(tmp_path, seed=None, faults=[MARGINAL]) as made:
        yield made


def test_the_bench_takes_the_measurement_that_a_marginal_calls(table: Bench) -> None:
    """The meter's answer settles it: the run is complete and in limits, and says by what."""
    hands = WithMeter(table.board, table.serial)
    state = table.closed(table.run("quick", operator=hands))
    assert hands.did.count("meter PWR-DMM5") == 1
    assert (state["complete"], verdicts(state)["PWR-V5"], verdicts(state)["PWR-DMM5"]) == (True, "in limits", "in limits")
    told = next(test["sentence"] for test in state["tests"] if test["test"] == "PWR-V5")
    assert "settled by PWR-DMM5" in told


def test_without_a_meter_nobody_is_asked_and_the_run_says_what_it_lacks(table: Bench) -> None:
    said: list[str] = []
    without = tuple(fixture for fixture in FIXTURES if not fixture.startswith("meter"))
    state = table.closed(table.run("quick", said.append, operator=WithMeter(table.board, table.serial), fixtures=without))
    assert "PWR-DMM5 would settle a marginal, but no meter in this run." in said
    assert not state["complete"]
    assert [(need["code"], need["test"]) for need in state["still_needed"]] == [("witness", "PWR-DMM5")]
