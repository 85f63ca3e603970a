"""An out is explained by a repair after it, or by three complete runs without it (no fault found)."""

from benchworthy.desk.facts import BoardFacts, Unmet

RUNS_WITHOUT = 3


def unexplained_outs(facts: BoardFacts) -> tuple[Unmet, ...]:
    """One unmet condition per test whose last out nothing has explained yet; runs come newest first."""
    unmet: dict[str, Unmet] = {}
    clean: dict[str, int] = {}
    seen_complete = 0
    for run in facts.runs:
        if facts.repaired_at is not None and run.opened_at <= facts.repaired_at:
            break
        for test in run.outs:
            if test in clean:
                continue
            clean[test] = seen_complete
            if seen_complete < RUNS_WITHOUT:
                unmet[test] = _unmet(test, run.id, seen_complete)
        seen_complete += run.complete
    return tuple(unmet.values())


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
        f"Record a repair, or close {RUNS_WITHOUT - clean} more complete runs without it (no fault found).",
    )
