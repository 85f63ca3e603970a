"""An out is explained by a repair after it, or by three complete runs in which the test was in limits (no fault found)."""

from benchworthy.desk.facts import BoardFacts, Unmet

RUNS_WITHOUT = 3


def unexplained_outs(facts: BoardFacts) -> tuple[Unmet, ...]:
    """One unmet condition per test whose last out nothing has explained yet; runs come newest first."""
    unmet: dict[str, Unmet] = {}
    for place, run in enumerate(facts.runs):
        if facts.repaired_at is not None and run.opened_at <= facts.repaired_at:
            break
        for test in run.outs:
            clean = sum(later.complete and test in later.in_limits for later in facts.runs[:place])
            if clean < RUNS_WITHOUT and test not in unmet and not _out_again(test, facts, place):
                unmet[test] = _unmet(test, run.id, clean)
    return tuple(unmet.values())


def _out_again(test: str, facts: BoardFacts, place: int) -> bool:
    """Whether a newer run had the same out: that one decides."""
    return any(test in later.outs for later in facts.runs[:place])


def no_fault_found(facts: BoardFacts) -> tuple[str, ...]:
    """Tests that came out since the last repair and then stayed in limits in enough complete runs."""
    since = [run for run in facts.runs if facts.repaired_at is None or run.opened_at > facts.repaired_at]
    unexplained = {item.what.split()[0] for item in unexplained_outs(facts)}
    return tuple(sorted({test for run in since for test in run.outs} - unexplained))


def _unmet(test: str, run: str, clean: int) -> Unmet:
    return Unmet(
        "out-unexplained",
        f"{test} came out in run {run}, and nothing on record explains it.",
        run,
        f"Record a repair, or close {RUNS_WITHOUT - clean} more complete runs in which it is in limits (no fault found).",
    )
