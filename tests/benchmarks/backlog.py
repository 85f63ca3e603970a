"""How fast a backlog of reports drains while boards report live: python tests/benchmarks/backlog.py [REPORTS [BOARDS]]

A real mosquitto and the real service, each with processes of its own, on the machine's own disk. BOARDS boards (default 100)
hold REPORTS reports (default 5,000) between them. First each sends its next one when the receipt of the one before has come,
as the agent does; then all of them wait in the broker when the service starts. Beside them one board reports live and one
program delivers over HTTP, four times a second. Printed are reports a second, what a report costs the listener, the live
receipts' median and 99th percentile, and the time of one sync of the disk, as every commit waits for one.
"""

import asyncio
import os
import statistics
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Callable, Coroutine, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import requests

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchworthy.reports.report import Author
from services.field_boards import FieldBoard, numbered
from services.reports import SHEET
from services.service import Running, running

TESTS = [test.id for test in SHEET.tests_of("field", Author.BOARD)]
PAUSE = 0.25


@dataclass(frozen=True, slots=True)
class Drained:
    """Reports of the backlog; seconds they took, by the clock and of the listener's CPU; seconds to each live receipt."""

    reports: int
    seconds: float
    listener_cpu: float
    live: Sequence[float]
    http: Sequence[float]

    @property
    def rate(self) -> float:
        return self.reports / self.seconds


def percentile(values: Sequence[float], percent: float) -> float:
    """The smallest value that at least `percent` of the values do not exceed."""
    ordered = sorted(values)
    return ordered[max(0, -(-len(ordered) * int(percent * 10) // 1000) - 1)]


Shape = Callable[[Running, int, Sequence[FieldBoard], FieldBoard, FieldBoard], Coroutine[None, None, Drained]]


def boards(site: Running, count: int) -> list[FieldBoard]:
    """Enrolled boards that the broker lets in, the last two of them for the live ones."""
    enrolled = [site.trial.enrol(f"BACK{n:04}") for n in range(count + 2)]
    site.broker.boards.update({board["serial"]: board["broker_password"] for board in enrolled})
    site.broker.reload()
    return [FieldBoard(b["serial"], b["broker_password"], numbered(b["serial"], b["field_key"], TESTS)) for b in enrolled]


async def in_step(site: Running, count: int, waiting: Sequence[FieldBoard], live: FieldBoard, by_http: FieldBoard) -> Drained:
    """Each board sends its next report when the receipt of the one before has come."""
    share = count // len(waiting)
    for board in waiting:
        await board.connect(site.broker.port)

    async def backlog(board: FieldBoard) -> None:
        for number in range(1, share + 1):
            await board.deliver(number)

    async with lively(site, live, by_http):
        begun = time.perf_counter()
        await asyncio.gather(*(backlog(board) for board in waiting))
        seconds = time.perf_counter() - begun
        cpu = listener_cpu()
    for board in waiting:
        board.close()
    return Drained(share * len(waiting), seconds, cpu, live.waits, by_http.waits)


async def queued(site: Running, count: int, waiting: Sequence[FieldBoard], live: FieldBoard, by_http: FieldBoard) -> Drained:
    """The service was away, and all of it waits in the broker."""
    share = count // len(waiting)
    await asyncio.to_thread(site.service.stop)

    async def leave(board: FieldBoard) -> None:
        await board.connect(site.broker.port)
        for number in range(1, share + 1):
            await board.publish(number)
        board.close()

    await asyncio.gather(*(leave(board) for board in waiting))
    begun = time.perf_counter()
    await asyncio.to_thread(site.service.start)
    while "benchworthy-listener-trial-now" not in site.broker.log():  # what is sent before it listens is backlog too
        await asyncio.sleep(0.05)
    async with lively(site, live, by_http):
        while site.trial.rows()["evidence"] < share * len(waiting) + len(live.waits) + len(by_http.waits):
            await asyncio.sleep(1)
        seconds, cpu = time.perf_counter() - begun, listener_cpu()
    return Drained(share * len(waiting), seconds, cpu, live.waits, by_http.waits)


@asynccontextmanager
async def lively(site: Running, live: FieldBoard, by_http: FieldBoard) -> AsyncIterator[None]:
    """One board reports over MQTT and one program over HTTP, for as long as the block lasts."""
    over = asyncio.Event()
    await live.connect(site.broker.port)

    async def report() -> None:
        number = 1
        while not over.is_set():
            await board_pause(over)
            await live.deliver(number)
            number += 1

    talking = [asyncio.create_task(report()), asyncio.create_task(asyncio.to_thread(post_until, site.url, by_http, over))]
    try:
        yield
    finally:
        over.set()
        await asyncio.gather(*talking)
        live.close()


def listener_cpu() -> float:
    """Seconds of CPU that the listener below this process has used, by the kernel's count."""
    parents, used = {}, {}
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            fields = (folder / "stat").read_text().rpartition(")")[2].split()
            if "benchworthy.serve.listener" in (folder / "cmdline").read_text():
                used[int(folder.name)] = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
        except OSError:
            continue
        parents[int(folder.name)] = int(fields[1])
    return sum(seconds for process, seconds in used.items() if os.getpid() in line_of(process, parents))


def line_of(process: int, parents: dict[int, int]) -> list[int]:
    line = []
    while process in parents:
        process = parents[process]
        line.append(process)
    return line


async def board_pause(over: asyncio.Event) -> None:
    try:
        await asyncio.wait_for(over.wait(), PAUSE)
    except TimeoutError:
        return


def post_until(url: str, board: FieldBoard, over: asyncio.Event) -> None:
    """Deliver over HTTP, four times a second."""
    number = 1
    with requests.Session() as session:
        while not over.is_set():
            token, begun = board.make(number), time.perf_counter()
            answer = session.post(f"{url}/api/v1/reports", data=token, headers={"Content-Type": "application/jose"}, timeout=30)
            assert answer.status_code == 201, answer.text
            board.waits.append(time.perf_counter() - begun)
            number += 1
            time.sleep(PAUSE)


def disk_sync(folder: Path) -> float:
    """Median seconds of writing 4 KiB and having the disk confirm it."""
    spent = []
    with (folder / "sync").open("wb") as file:
        for _ in range(25):
            begun = time.perf_counter()
            file.write(bytes(4096))
            file.flush()
            os.fsync(file.fileno())
            spent.append(time.perf_counter() - begun)
    return statistics.median(spent)


def measure(folder: Path, count: int, of_boards: int, shape: Shape = in_step) -> Drained:
    """A backlog drained by a service of its own. AssertionError unless every report is on record once."""
    with running(folder) as site:
        *waiting, live, by_http = boards(site, of_boards)
        told = asyncio.run(shape(site, count, waiting, live, by_http))
        rows = site.trial.rows()
        assert rows["evidence"] == told.reports + len(told.live) + len(told.http), rows
        assert rows["refusals"] == 0
        return told


def main() -> None:
    count, of_boards = (int(given) for given in (*sys.argv[1:], *("5000", "100")[len(sys.argv) - 1 :]))
    for shape, told_as in ((in_step, "boards in step with their receipts"), (queued, "all of it waiting in the broker")):
        with tempfile.TemporaryDirectory() as name:
            told = measure(Path(name), count, of_boards, shape)
            sync = disk_sync(Path(name))
        print(f"{told_as}: {told.reports} reports of {len(TESTS)} tests from {of_boards} boards")
        print(f"  drained in {told.seconds:.1f} s, {told.rate:.0f} a second; one sync of the disk {1000 * sync:.2f} ms")
        cpu = told.listener_cpu / (told.reports + len(told.live))
        print(f"  the listener used {1000 * cpu:.2f} ms of CPU a report, so that it takes in at most {1 / cpu:.0f} a second")
        for way, waits in (("MQTT", told.live), ("HTTP", told.http)):
            low, high, worst = (1000 * value for value in (statistics.median(waits), percentile(waits, 99), max(waits)))
            print(f"  live receipts by {way}: {len(waits)}, median {low:.0f} ms, p99 {high:.0f} ms, max {worst:.0f} ms")


if __name__ == "__main__":
    main()
