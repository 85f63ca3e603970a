"""What reading back costs beside an answer that says nothing: python tests/benchmarks/read_paths.py [BOARDS]

One service in this process; each line is the median of interleaved rounds, in milliseconds of CPU and as a ratio to an empty
endpoint that checks the same token in the same round, then in milliseconds of wall time. The fleet is BOARDS kits (default
1,000), eight boards that went through the desk, and one with 500 reports. Wall times vary with what else the machine does;
CPU times vary less, their ratios least.
"""

import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from flask import Flask

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchworthy import desk_actions
from benchworthy.acts.enrolling import Enrolment
from benchworthy.acts.importing import Line
from benchworthy.api.access import allowed
from benchworthy.intake import label
from benchworthy.ports import Services
from benchworthy.web import create_app
from services import reports
from services.desk import COUNTED, certified, in_days
from services.service import Trial, trial

ROUNDS, REPORTS = 15, 500


def with_nothing(services: Services) -> Flask:
    """The application with one more endpoint, which answers nothing to whoever has a token."""
    app = create_app(services)
    app.add_url_rule("/api/v1/nothing", view_func=allowed()(lambda: ("", 204)))
    return app


def enrol(made: Trial, first: int, last: int) -> None:
    """Kits, a hundred at a time."""
    for start in range(first, last, 100):
        wanted = [
            Enrolment(label.complete(f"KIT{n:05}"), "tarn-b", True, None, None) for n in range(start, min(last, start + 100))
        ]
        desk_actions.import_boards(made.services, [Line(1, one.serial, one) for one in wanted], False, "C1")


def lived(made: Trial) -> None:
    """Boards that are fit, lent, returned and held."""
    serials = [certified(made, f"LIFE{n:02}") for n in range(8)]
    for serial in serials[2:6]:
        made.post(f"/boards/{serial}/loans", {"borrower": "B-1", "due": in_days(made, 7), "accessories": COUNTED}, "desk")
    for serial in serials[4:6]:
        made.post(f"/boards/{serial}/returns", {"scanned": serial, "accessories": COUNTED}, "desk")
    made.post(f"/boards/{serials[6]}/holds", {"reason": "Smells burnt."})


def talkative(made: Trial) -> str:
    """A board with many reports from the field."""
    enrolled = made.enrol("TALKS1")
    for boot in range(REPORTS):
        made.deliver(reports.field(enrolled["serial"], enrolled["field_key"], boot=boot + 1))
    return str(enrolled["serial"])


def medians(made: Trial, paths: list[str]) -> dict[str, tuple[float, float]]:
    """Milliseconds of CPU and of wall time by path; every round asks each path once, so that what disturbs one disturbs all."""
    headers = {"Authorization": f"Bearer {made.secrets['reader']}"}
    spent: dict[str, list[tuple[float, float]]] = {path: [] for path in paths}
    for _ in range(ROUNDS):
        for path in paths:
            begun, cpu = time.perf_counter(), time.process_time()
            answer = made.client.get(f"/api/v1{path}", headers=headers)
            spent[path].append((1000 * (time.process_time() - cpu), 1000 * (time.perf_counter() - begun)))
            assert answer.status_code in (200, 204), answer.text
    return {path: tuple(statistics.median(one) for one in zip(*times, strict=True)) for path, times in spent.items()}


@contextmanager
def fleet(boards: int) -> Iterator[tuple[Trial, str]]:
    """A service with that many kits and the others; the serial number of the board with many reports."""
    with tempfile.TemporaryDirectory() as folder, trial(Path(folder)) as made:
        enrol(made, 0, boards)
        lived(made)
        serial = talkative(made)
        made.app = with_nothing(made.services)
        made.client = made.app.test_client()
        yield made, serial


def measured(boards: int, say: Callable[[str], object] = print) -> dict[str, float]:
    """Ratio to the empty endpoint by path, printed line by line."""
    with fleet(boards) as (made, serial):
        paths = [
            "/nothing", f"/boards/{serial}/fitness", f"/boards/{serial}/history?limit=50", f"/boards/{serial}/reports?limit=50",
            f"/boards/{serial}/readings?test=PWR-V5&limit=500", "/fleet/readings?design=tarn-b&test=PWR-V5&limit=50",
            "/fleet/counts", "/boards?limit=50", "/fleet/boards?limit=50", "/fleet/boards?state=fit", "/work",
        ]  # fmt: skip
        found = medians(made, paths)
        say(f"{boards} boards; {serial} has {REPORTS} reports; median of {ROUNDS} rounds")
        ratios = {path.replace(serial, "{serial}"): found[path][0] / found["/nothing"][0] for path in paths}
        for (path, ratio), (cpu, wall) in zip(ratios.items(), found.values(), strict=True):
            say(f"{cpu:8.2f} ms CPU {ratio:6.1f} x nothing {wall:8.2f} ms wall  GET {path}")
    return ratios


def main() -> None:
    boards = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    few, many = measured(boards // 10), measured(boards)
    print(f"fleet/counts, {boards} boards against {boards // 10}: {many['/fleet/counts'] / few['/fleet/counts']:.1f} x")


if __name__ == "__main__":
    main()
