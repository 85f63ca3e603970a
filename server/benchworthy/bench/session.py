"""One run of one board at a bench, from the scanned label to the operator's last answer.

The board is not reset on the way, as the run's key lives in its RAM. The run is left open: the inspector answers with
another person's token, and whoever called closes it.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from benchworthy.bench import asking, kinds, phases
from benchworthy.bench.agent_calls import Way
from benchworthy.bench.people import Operator
from benchworthy.bench.portlist import Arrival
from benchworthy.bench.reach import Reach
from benchworthy.bench.run import ReportSigner, Run, RunService
from benchworthy.bench.table import Table
from benchworthy.designs import catalogue
from benchworthy.designs.half_built import as_built
from benchworthy.designs.plan import plan_for
from benchworthy.designs.sheet import Sheet
from benchworthy.errors import RequestInvalid, SheetDiffers
from benchworthy.reports.report import Author

METER: Final = "meter"
NO_SUPPLY: Final = "Nothing feeds the board: USB, jack and cells are out."
ALWAYS_THERE: Final = frozenset({"usb", "jack"})  # unless somebody says that it is not


def run_board(
    reach: Reach,
    service: RunService,
    bench_key: ReportSigner,
    operator: Operator,
    serial: str,
    test_set: str,
    link: Way = "mqtt",
    fixtures: Sequence[str] = (),
    without: Sequence[str] = (),
    wifi: Mapping[str, str] | None = None,
    arrival: Arrival | None = None,
    say: Callable[[str], None] = lambda text: None,
) -> dict[str, Any]:
    """Drive one board through a run and leave the run open.

    `fixtures` are kind:serial texts of what the person has; `without` names needs that are not there (jack, wifi, ...);
    `wifi` is {"ssid", "password"} for the board's RAM; `arrival` is what was seen when the board was plugged in, if the
    bench looked. `link` is how board reports reach the service; `say` gets one line for each step. Returns run, serial,
    module, stand_in, firmware, files (path to SHA-256), reports (author, part, report, verdict), answers and state (the
    run as judged so far). Raises BenchFailure, ServiceSaid, ServiceUnreachable, RequestInvalid, and what the operator
    raises.
    """
    having = _kinds(fixtures)
    with reach:
        # A board that does not listen is told before a run is opened for it.
        module = kinds.identity(reach.open(recover=True)).module
        say(f"Board found at {reach.port}.")
        opened = service.open_run(serial, test_set, bench_key.thumbprint, fixtures, operator.scan_label())
        say(f"Run {opened['run']} is open.")
        sheet = _sheet(opened, test_set)
        absent = _absent(sheet, test_set, having, without, wifi, opened)
        way = _way(link, opened, say)
        run = Run(opened, serial, sheet, reach, service, bench_key, operator, way, say, having, absent, wifi)
        run.arrival = arrival
        table = Table(operator, having, absent)
        _look_at_stage(run)
        _before_power(run, table, module)
        _meet(run)
        if not run.small:
            run.begin()
        phases.play(run, table)
        _settle_marginals(run, table)
    return _told(run)


def run_by_hand(
    service: RunService,
    bench_key: ReportSigner,
    operator: Operator,
    serial: str,
    test_set: str,
    fixtures: Sequence[str] = (),
    without: Sequence[str] = (),
    say: Callable[[str], None] = lambda text: None,
) -> dict[str, Any]:
    """A run of a board that has no module yet: questions only, so no port is looked for. As `run_board`, it stays open.

    What a bench would look for at its ports is left for the run of the next stage.
    """
    having = _kinds(fixtures)
    opened = service.open_run(serial, test_set, bench_key.thumbprint, fixtures, operator.scan_label())
    say(f"Run {opened['run']} is open.")
    sheet = _sheet(opened, test_set)
    absent = _absent(sheet, test_set, having, without, None, opened)
    left = [test for part in opened["parts"] for test in part["tests"]]
    if left:
        say(f"Not run here, as no module answers yet: {', '.join(left)}.")
    alone = {**opened, "parts": []}
    run = Run(alone, serial, sheet, Reach(""), service, bench_key, operator, "serial", say, having, absent)
    table = Table(operator, having, absent)
    _look_at_stage(run)
    cold = [test for phase in sheet.phases for test in asking.questions(run, phase.name) if asking.is_cold(test)]
    if cold:
        operator.act("no-supply", NO_SUPPLY)
        for test in cold:
            asking.put(run, test, table)
        first = (opened.get("stage") or {}).get("first_power")
        operator.act("supply", f"Now the supply{f': {first}' if first else ''}.")
    phases.play(run, table)
    return {"run": run.id, "serial": serial, "answers": run.answers, "state": service.get_run(run.id)}


def by_hand(sheet: Sheet, test_set: str) -> bool:
    """Whether a set asks nothing of a module: people answer, and at most a port appears."""
    people = (Author.OPERATOR, Author.INSPECTOR)
    return all(test.author in people or test.procedure == "port" for test in sheet.tests_of(test_set))


def _look_at_stage(run: Run) -> None:
    """What a builder looks at before the power comes on, each time a stage is new."""
    stage = run.opened.get("stage")
    if stage:
        looks = [f"{word}: {stage[key]}." for word, key in (("Look at", "critical"), ("Unpowered", "before_power")) if stage[key]]
        run.operator.act("look", " ".join([f"Stage {stage['number']}, {stage['title']}.", *looks]))


def _before_power(run: Run, table: Table, module: str) -> None:
    """What is measured without any supply, and the look at the ports while the board is away."""
    cold = [test for phase in run.sheet.phases for test in asking.questions(run, phase.name) if asking.is_cold(test)]
    looked_for = any(run.sheet.tests[test].procedure == "port" for part in run.parts(Author.BENCH) for test in part["tests"])
    if not cold and not (looked_for and run.arrival is None):
        return
    left = run.reach.unplugged(lambda: run.operator.act("pull-usb", "" if not cold else asking.EVERYTHING_OUT))
    for test in cold:
        asking.put(run, test, table)
    if cold:
        run.operator.act("put-back", asking.EVERYTHING_BACK)
    run.arrival = run.reach.plugged(left, lambda: run.operator.undo("pull-usb"), module)


def _meet(run: Run) -> None:
    """Who it is and what is on it, read over the wire."""
    link = run.reach.open()
    run.identity = kinds.identity(link)
    if run.small:
        run.begin()  # first of all: the mark that it leaves is the memory that is free before the bench takes some
    run.files = kinds.files(link, run.small)
    stand_in = ", a stand-in" if run.identity.stand_in else ""
    run.say(f"Module {run.identity.module}{stand_in}, {len(run.files)} files.")


def _settle_marginals(run: Run, table: Table) -> None:
    """Take the better measurement that a marginal calls, while the board is still on the table."""
    for need in run.service.get_run(run.id).get("still_needed", []):
        if need["code"] != "witness" or need["test"] in run.asked:
            continue
        lacking = run.lacks(need["test"]) or (None if METER in table.fixtures else "no meter in this run")
        if lacking is None:
            run.say(need["what"])
            asking.put(run, run.sheet.tests[need["test"]], table)
        else:
            run.say(f"{need['test']} would settle a marginal, but {lacking}.")


def _kinds(fixtures: Sequence[str]) -> dict[str, str]:
    """Kind to serial number. Raises RequestInvalid."""
    having = dict(text.split(":", 1) for text in fixtures if ":" in text)
    if len(having) != len(fixtures):
        raise RequestInvalid("Write a fixture as kind:serial, such as TP-4:TP4-0007, each kind once.")
    return having


def _sheet(opened: Mapping[str, Any], test_set: str) -> Sheet:
    """The bench's own sheet, which must be the service's, as far as boards and benches act on it."""
    sheet = catalogue.find(str(opened["design"]))
    if plan_for(sheet, test_set).text != opened["plan"]:
        raise SheetDiffers(f"The service plans {test_set} of {sheet.name} otherwise than this bench.", design=sheet.name)
    return as_built(sheet, test_set)


def _absent(
    sheet: Sheet,
    test_set: str,
    having: Mapping[str, str],
    without: Sequence[str],
    wifi: Mapping[str, str] | None,
    opened: Mapping[str, Any],
) -> frozenset[str]:
    """Every need of the set's tests that is not met."""
    there = set(ALWAYS_THERE) | set(having)
    there |= {"wifi"} if wifi is not None else set()
    there |= {"broker"} if opened.get("mqtt") is not None else set()
    witnesses = {test.better_witness for test in sheet.tests_of(test_set)}
    called = [test for test in sheet.tests.values() if test.id in witnesses]
    needs = {need for test in (*sheet.tests_of(test_set), *called) for need in test.needs}
    return frozenset((needs - there) | (needs & set(without)))


def _way(wanted: Way, opened: Mapping[str, Any], say: Callable[[str], None]) -> Way:
    if wanted == "mqtt" and opened.get("mqtt") is None:
        say("The service has no broker for boards; reports go over the serial link.")
        return "serial"
    return wanted


def _told(run: Run) -> dict[str, Any]:
    assert run.identity is not None
    return {
        "run": run.id,
        "serial": run.serial,
        "module": run.identity.module,
        "stand_in": run.identity.stand_in,
        "firmware": run.identity.firmware,
        "files": {path: file.sha256 for path, file in run.files.items()},
        "reports": run.reports,
        "answers": run.answers,
        "state": run.service.get_run(run.id),
    }
