"""An out is explained by a repair after it, or by three complete runs in which the test was in limits (no fault found).

A waiver explains nothing: while it stands, the out does not count, and when it ends the out is as unexplained as before.
"""

from benchworthy.desk.facts import BoardFacts, Unmet

RUNS_WITHOUT = 3


def unexplained_outs(facts: BoardFacts) -> tuple[Unmet, ...]:
    """One unmet condition per test whose last out nothing has explained yet; runs come newest first."""
    return tuple(_unmet(test, run, clean) for test, (run, clean) in _unexplained(facts).items() if test not in facts.waived)


def outs_let_go(facts: BoardFacts) -> dict[str, str]:
    """Test to run of each out that would be unexplained if no waiver stood."""
    return {test: run for test, (run, _) in _unexplained(facts).items() if test in facts.waived}


def no_fault_found(facts: BoardFacts) -> tuple[str, ...]:
    """Tests that came out since the last repair and then stayed in limits in enough complete runs."""
    return tuple(sorted(test for test, (_, clean) in _last_outs(facts).items() if clean >= RUNS_WITHOUT))


def _unexplained(facts: BoardFacts) -> dict[str, tuple[str, int]]:
    return {test: told for test, told in _last_outs(facts).items() if told[1] < RUNS_WITHOUT}


def _last_outs(facts: BoardFacts) -> dict[str, tuple[str, int]]:
    """Test to the newest run since the last repair in which it was out, and the complete runs since in which it was in limits."""
    last: dict[str, tuple[str, int]] = {}
    for place, run in enumerate(facts.runs):
        if facts.repaired_at is not None and run.opened_at <= facts.repaired_at:
            break
        for test in run.outs:
            clean = sum(later.complete and test in later.in_limits for later in facts.runs[:place])
            last.setdefault(test, (run.id, clean))
    return last


def _unmet(test: str, run: str, clean: int) -> Unmet:
    return Unmet(
        "out-unexplained",
        f"{test} came out in run {run}, and nothing on record explains it.",
        run,
        f"Record a repair, or close {RUNS_WITHOUT - clean} more complete runs in which it is in limits (no fault found).",
    )
