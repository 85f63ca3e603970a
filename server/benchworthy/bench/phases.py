"""The body of a run, phase by phase: what the board measures, what the bench sees, what the person says."""

from collections.abc import Mapping
from typing import Any

from benchworthy.bench import asking, host_tests, probe
from benchworthy.bench.run import Run
from benchworthy.bench.table import Table
from benchworthy.designs.sheet import Phase
from benchworthy.errors import BoardSilent
from benchworthy.reports.report import Author


def play(run: Run, table: Table) -> None:
    """Every phase of the sheet that has something to do in this run; at the end the table is empty."""
    for phase in run.sheet.phases:
        board = _parts(run, Author.BOARD, phase)
        bench = _parts(run, Author.BENCH, phase)
        asked = asking.questions(run, phase.name)
        if not (board or bench or asked):
            continue
        wanted = {name for part in (*board, *bench) for name in part["fixtures"]} | {n for t in asked for n in t.needs}
        run.say(f"Phase {phase.name}")
        with table.phase(phase, wanted):
            for part in board:
                _board_part(run, part, table)
            for part in bench:
                readings = [host_tests.reading(run, run.sheet.tests[test], table) for test in part["tests"]]
                run.bench_report(part["number"], readings)
            for test in asked:
                asking.put(run, test, table)
    table.empty()


def _parts(run: Run, author: Author, phase: Phase) -> list[Mapping[str, Any]]:
    return [part for part in run.parts(author) if part["phase"] == phase.name]


def _board_part(run: Run, part: Mapping[str, Any], table: Table) -> None:
    """Line by line, so that the board holds one test at a time and the person hears how it goes."""
    lines = run.lines
    for name in part["tests"]:
        if run.lacks(name) is None:
            with table.ready(run.sheet.tests[name]):
                run.say(_carried_out(run, name, lines[name]))
        else:
            run.say(_carried_out(run, name, lines[name]))
    run.close_part(int(part["number"]))


def _carried_out(run: Run, name: str, line: str) -> str:
    """One test, in a sentence. A board that hung in it, and is itself again after a Ctrl-C, does not lose the others."""
    try:
        done = run.agent.test(line)
    except BoardSilent as fault:
        if not probe.mark_stands(run.reach.link, run.id):
            raise
        return f"{name}: no reading, {fault.detail}"
    return f"{name}: {done.kind}{f', {done.text}' if done.text else ''}"
