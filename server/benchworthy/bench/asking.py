"""Tests that a person at the bench answers: by a meter, a list, or by what the board shows to eyes and ears."""

from collections.abc import Mapping
from typing import Any, Final

from benchworthy.bench.run import Run
from benchworthy.bench.table import Table
from benchworthy.designs.sheet import Test
from benchworthy.errors import BoardFaulted, ServiceUnreachable
from benchworthy.reports.report import Author

EVERYTHING_OUT: Final = "Pull out USB, jack and cells, and take the module out of its socket."
EVERYTHING_BACK: Final = "Put the module back into its socket, then the jack and the cells; USB stays out."
_MOST_CHARACTERS: Final = 64  # of an answer's text
_SUPPLIES: Final = frozenset({"usb", "jack"})


def questions(run: Run, phase: str) -> list[Test]:
    """The operator's tests of a phase that were not answered yet, in the sheet's order."""
    wanted = {entry["test"] for entry in run.opened["ask"] if entry["author"] == Author.OPERATOR}
    return [test for test in run.sheet.tests.values() if test.id in wanted - run.asked and test.phase == phase]


def is_cold(test: Test) -> bool:
    """Whether a test is measured without any supply: on the first stage, which has no module yet, needing neither."""
    return test.procedure == "meter" and test.stage == 1 and not test.needs & _SUPPLIES


def put(run: Run, test: Test, table: Table) -> None:
    """Ask one question and hand in the answer; what it needs and is absent makes it not run."""
    drawn = next((draw for draw in run.opened["draws"] if draw["test"] == test.id), None)
    lacking = run.lacks(test.id)
    if lacking is not None:
        run.answer({"test": test.id, "draw": 1, "not_run": lacking})
    elif drawn is not None:
        _perceive(run, test, drawn, table)
    elif test.procedure == "meter":
        _measure(run, test, table)
    else:
        items = run.operator.check_list(test.id, _ask(test), [str(item) for item in test.parameters["items"]])
        run.answer({"test": test.id, "draw": 1, "items": dict(items)})


def _perceive(run: Run, test: Test, drawn: Mapping[str, Any], table: Table) -> None:
    with table.ready(test):
        _watch(run, test, drawn)
        if _second_draw_needed(run, test.id):
            try:
                again = run.service.draw(run.id, test.id)
            except ServiceUnreachable:  # the run goes on, and says itself what it still needs
                run.say(f"{test.id}: that was not it, and the service that draws once more cannot be reached.")
                return
            run.say(f"{test.id}: that was not it; once more.")
            _watch(run, test, again)


def _watch(run: Run, test: Test, drawn: Mapping[str, Any]) -> None:
    stimulus = drawn["stimulus"]
    answer = {"test": test.id, "draw": drawn["draw"]}
    try:
        said = run.operator.watch(test.procedure, _ask(test), lambda: run.show(stimulus))
    except BoardFaulted as fault:  # nobody is asked about what the board could not show
        run.answer({**answer, "not_run": fault.detail[:_MOST_CHARACTERS]})
        return
    run.answer({**answer, "text": said[:_MOST_CHARACTERS]})


def _measure(run: Run, test: Test, table: Table) -> None:
    """One number, or one for each quantity; as many digits as the service takes."""
    with table.ready(test):
        if len(test.quantities) == 1:
            number = float(f"{run.operator.read_meter(test.id, _ask(test)):.7g}")
            run.answer({"test": test.id, "draw": 1, "number": number})
            return
        named = {q.name: f"{run.operator.read_meter(test.id, _in(test, q.unit), q.name):.7g}" for q in test.quantities}
    run.answer({"test": test.id, "draw": 1, "items": named})


def _second_draw_needed(run: Run, test: str) -> bool:
    needed = run.service.get_run(run.id).get("still_needed", [])
    return any(entry.get("code") == "second-draw" and entry.get("test") == test for entry in needed)


def _in(test: Test, unit: str) -> str:
    return f"{_ask(test)} Type it in {unit}."


def _ask(test: Test) -> str:
    return f"{test.caution} {test.ask}".strip()
