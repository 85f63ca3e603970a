"""Tests whose author is the bench: each gives one reading, of single integers, a text, or names with texts."""

import time
from typing import Any, Final

from benchworthy.bench import kinds, probe
from benchworthy.bench.evidence import file_items
from benchworthy.bench.portlist import Arrival
from benchworthy.bench.run import Run
from benchworthy.bench.table import Table
from benchworthy.designs.agent_release import NO_AGENT, current
from benchworthy.designs.sheet import Test
from benchworthy.errors import BoardFaulted, BoardLost

CLOCK_S: Final = 30
OUT_S: Final = 20.0
WIGGLE_S: Final = 12.0
WIGGLE_STAND_IN_ROUNDS: Final = 2
_MOST_CHARACTERS: Final = 64


def reading(run: Run, test: Test, table: Table) -> dict[str, Any]:
    """Carry out one test; what the board faults in it is an error of this test alone. Raises BoardSilent, BoardLost."""
    lacking = run.lacks(test.id)
    try:
        found: dict[str, Any] = {"not_run": lacking} if lacking is not None else _found(run, test, table)
    except BoardFaulted as fault:
        found = {"error": fault.detail[:_MOST_CHARACTERS]}
    kind = next(iter(found))
    run.say(f"{test.id}: {kind}{f', {found[kind]}' if kind in ('not_run', 'error') else ''}")
    return {"test": test.id, **found}


def _found(run: Run, test: Test, table: Table) -> dict[str, Any]:
    assert run.identity is not None
    match test.procedure:
        case "identity":
            return {"text": run.identity.module}
        case "files":
            release = NO_AGENT if run.small else current()
            return {"items": file_items(run.files, release, run.sheet.state_limit)}
        case "port":
            return _port(run.arrival, run.identity.module)
        case "echo":
            echoed = kinds.echo(run.reach.link, run.small)
            return _steps(echoed.bytes_per_s, echoed.errors)
        case "wiggle":
            with table.ready(test):
                return _steps(_wiggle(run))
        case "clock":
            return _steps(*kinds.clock(run.reach.link, run.small, CLOCK_S, run.since))
        case "recharge":
            return _recharge(run, test)
    with table.ready(test):
        return run.snippet(test)


def _steps(*values: int) -> dict[str, Any]:
    return {"steps": [[1, value, value * value, value, value] for value in values]}


def _port(arrival: Arrival | None, module: str) -> dict[str, Any]:
    if arrival is None:
        return {"not_run": "the board was plugged in before the bench looked"}
    texts = [entry.text.lower() for entry in arrival.new]
    return _steps(arrival.appear_us, len(arrival.new), int(module in texts))


def _wiggle(run: Run) -> int:
    """Echo after echo while the plug is moved; each that is not whole is a drop, and so is a port that goes away."""
    assert run.identity is not None
    drops = rounds = 0
    begun = time.monotonic()
    while True:
        try:
            drops += kinds.echo(run.reach.link, run.small).errors > 0
        except BoardLost:
            drops += 1
            run.reach.close()
            run.reach.find_again(run.identity.module)
        rounds += 1
        # A stand-in's plug is moved in no time.
        if rounds >= WIGGLE_STAND_IN_ROUNDS and (run.identity.stand_in or time.monotonic() - begun >= WIGGLE_S):
            break
    run.say("You may stop moving the plug.")
    _key_again(run)
    return drops


def _recharge(run: Run, test: Test) -> dict[str, Any]:
    """USB out and in again while the jack feeds the board: nothing may have started anew."""
    assert run.identity is not None
    module, boots = run.identity.module, probe.identity(run.reach.link).boot
    since_ms = probe.mark(run.reach.link, run.id)
    left = run.reach.unplugged(lambda: run.operator.act("pull-usb", test.ask))
    if not run.identity.stand_in:  # a stand-in's time stands still while nobody speaks to it
        run.say(f"Waiting {OUT_S:.0f} s")
        time.sleep(OUT_S)
    run.reach.plugged(left, lambda: run.operator.undo("pull-usb"), module)
    more = probe.identity(run.reach.link).boot - boots
    went_on = probe.mark_stands(run.reach.link, run.id, since_ms)
    _key_again(run)
    return _steps(more, int(went_on))


def _key_again(run: Run) -> None:
    """A board that started anew has lost the run's key; what is still to come needs it."""
    if run.begun and not probe.mark_stands(run.reach.link, run.id):
        run.say("The board started anew; the run's key goes into its RAM again.")
        run.begin()
