"""A bench that is killed: in the middle of a run away from the service, and in the middle of handing it in.

The delivery goes to a real service process through a relay, which kills the deliverer's process at a chosen request, before the
service saw it or after the service committed it.
"""

import contextlib
import os
import signal
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
import requests

from bench_evening import as_tester, box_at, fetched, measure
from benchworthy.bench import spool
from benchworthy.bench.delivery import deliver
from benchworthy.bench.tickets import TicketBox
from benchworthy.history import ledger
from benchworthy.keys.bench_key import BenchKey
from benchworthy.reports.token import digest
from benchworthy.serve.demo.house import ServiceProcess
from services.served import served
from services.service import Trial, environment, trial

pytestmark = pytest.mark.real_time
TESTS = Path(__file__).parent


# --- killed while it measures -------------------------------------------------------------------------------------------

# A bench whose spool kills the process at the n-th of the moments at which something of a file has just happened.
VICTIM = """
import os, signal, sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from bench_evening import box_at, measure
from benchworthy.keys.bench_key import BenchKey
folder, serial, moment = Path(sys.argv[2]), sys.argv[3], int(sys.argv[4])
passed = 0
def watched(real):
    def call(*given, **named):
        global passed
        passed += 1
        if passed == moment:
            os.kill(os.getpid(), signal.SIGKILL)
        return real(*given, **named)
    return call
for name in ("fsync", "replace", "rename", "write"):
    setattr(os, name, watched(getattr(os, name)))
key = BenchKey.load_or_create(folder / "bench.jwk")
measure(box_at(folder / "bench", key), key, serial, "plug")
print(passed)
"""


def victim(folder: Path, serial: str, moment: int) -> "subprocess.CompletedProcess[str]":
    words = [sys.executable, "-c", VICTIM, str(TESTS), str(folder), serial, str(moment)]
    return subprocess.run(words, capture_output=True, text=True, timeout=60, check=False)


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes; its bench's key lies in the data directory, as the victim expects."""
    with trial(tmp_path / "data") as started:
        started.have_fixtures()
        yield started


def test_a_bench_killed_at_any_moment_of_a_run_leaves_whole_things_and_spends_one_ticket(made: Trial, tmp_path: Path) -> None:
    """Everything under its name on disk is whole and in order; the same ticket is never taken again."""
    serial = made.enrol("KIL001")["serial"]
    folder = tmp_path / "data"
    box = fetched(made, folder / "bench", 10)
    whole = victim(folder, serial, 0)
    assert whole.returncode == 0, whole.stderr
    moments = int(whole.stdout)
    kinds = [item.kind for item in box.spool.items(box.spool.runs()[0])]
    assert moments > 2 * len(kinds) > 10
    for moment in (1, 3, 4, 5, 6, moments // 3, moments // 2, moments - 1):
        before = set(box.spool.runs())
        killed = victim(folder, serial, moment)
        assert killed.returncode == -signal.SIGKILL, killed.stderr
        (new,) = (set(box.spool.runs()) - before) or {None}
        if new is None:
            continue  # it had not taken a ticket yet
        items = box.spool.items(new)
        assert [item.kind for item in items] == kinds[: len(items)] and not box.spool.going_on(new)
        assert all(item.octets.count(b".") == 2 if item.kind == spool.REPORT else item.body for item in items)
    spent = {path.name for path in (folder / "bench" / "waiting").iterdir() if not path.name.startswith(".")}
    left = {claims["run"] for claims in box.waiting(made.clock())}
    assert not spent & left and len(spent | left) == 10
    _all_delivered(made, box, serial)


def _all_delivered(made: Trial, box: TicketBox, serial: str) -> None:
    """What the killed ones left is delivered like the rest, and stands on record once."""
    items = [item for run in box.spool.runs() for item in box.spool.items(run)]
    with served(made.app) as url:
        told = deliver(box, as_tester(made, url), lambda text: None)
    assert told.refused == {} and box.spool.runs() == []
    with made.house.database.reading() as work:
        kept = Counter(item.digest for item in work.evidence.of_board(serial, 1000))
        # Every one of these processes plays a board that counts from the start; a real one counts on.
        assert {code for code, _, _ in work.evidence.findings(serial)} <= {"counters-restarted"}
    reports = [digest(item.octets) for item in items if item.kind == spool.REPORT]
    assert set(kept.values()) == {1} and set(reports) <= set(kept)
    assert len(kept) == len(reports) + sum(item.kind == spool.ANSWER for item in items)


# --- killed while it delivers -------------------------------------------------------------------------------------------


@dataclass
class Relay:
    """Hands requests on to the service; at request number `at` kills `process`, before or after it was handed on."""

    service: str
    at: int = -1
    after: bool = False
    process: "subprocess.Popen[str] | None" = None
    turn: int = field(default=0)
    url: str = ""

    def kill(self) -> None:
        assert self.process is not None
        os.kill(self.process.pid, signal.SIGKILL)
        self.process.wait(10)

    def take(self, handler: BaseHTTPRequestHandler) -> None:
        turn, self.turn = self.turn, self.turn + 1
        body = handler.rfile.read(int(handler.headers.get("Content-Length") or 0))
        if turn == self.at and not self.after:
            self.kill()
            return
        wanted = {
            n: v for n, v in handler.headers.items() if n not in ("Host", "Content-Length", "Connection", "Accept-Encoding")
        }
        answer = requests.request(handler.command, self.service + handler.path, data=body, headers=wanted, timeout=20)
        if turn == self.at:
            self.kill()
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):
            handler.send_response(answer.status_code)
            for name in ("Content-Type", "Retry-After"):
                if name in answer.headers:
                    handler.send_header(name, answer.headers[name])
            handler.send_header("Content-Length", str(len(answer.content)))
            handler.end_headers()
            handler.wfile.write(answer.content)


@contextmanager
def relay(service: str) -> Iterator[Relay]:
    made = Relay(service)

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            made.take(self)

        do_GET = do_POST

        def log_message(self, *given: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    made.url = f"http://127.0.0.1:{server.server_port}"
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield made
    finally:
        server.shutdown()
        thread.join(5)
        server.server_close()


def delivering(line: Relay, folder: Path, token: str, at: int, after: bool) -> int:
    """One `bench deliver` in a process of its own; its exit code, -9 when it was killed on the way."""
    line.at, line.after, line.turn = at, after, 0
    words = [sys.executable, "-m", "benchworthy.cli.main", "bench", "deliver", "--key", str(folder / "bench.jwk")]
    words += ["--folder", str(folder / "bench"), "--url", line.url]
    env = {**os.environ, "BENCHWORTHY_TOKEN": token}
    line.process = subprocess.Popen(words, env=env, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    out, _ = line.process.communicate(timeout=60)
    assert "Traceback" not in out, out
    return line.process.returncode


def test_a_delivery_killed_at_every_request_stores_each_thing_once(tmp_path: Path) -> None:
    """Two runs; at one thing SIGKILL before the service sees it, at the next after it committed and before the bench knows."""
    folder = tmp_path / "data"
    with trial(folder) as made:
        serials = [made.enrol(f"KIL01{n}")["serial"] for n in range(2)]
        box = fetched(made, folder / "bench", 2)
        runs = [measure(box, made.bench, serial)["run"] for serial in serials]
        things = {run: list(box.spool.items(run)) for run in runs}
        service = ServiceProcess(environment(folder, None), tmp_path / "serve.log")
        service.start()
        try:
            with relay(service.url) as line:
                kills = _until_delivered(line, box, folder, made.secrets["tester"])
        finally:
            service.stop()
        assert kills >= sum(len(items) for items in things.values())
        for run, serial in zip(runs, serials, strict=True):
            _proof(made, run, serial, things[run])
        assert made.rows()["runs"] == 2 and made.rows()["refusals"] == 0


def _until_delivered(line: Relay, box: TicketBox, folder: Path, token: str) -> int:
    """What was cut last time gets through, and the next thing is cut; before and after in turn."""
    kills = 0
    while box.spool.runs():
        at = 0 if kills == 0 else 1
        ended = delivering(line, folder, token, at, after=kills % 2 == 1)
        assert ended in (-signal.SIGKILL, 0)
        kills += ended != 0
        assert kills < 60
    return kills


def _proof(made: Trial, run: str, serial: str, items: list[spool.Item]) -> None:
    """Each report stands once in evidence and once in an unbroken chain, under the board it was measured on."""
    with made.house.database.reading() as work:
        kept = Counter(item.digest for item in work.evidence.of_run(run))
        entries = work.ledger.entries(serial)
        assert work.evidence.findings(serial) == []
    reports = {digest(item.octets) for item in items if item.kind == spool.REPORT}
    answers = [item for item in items if item.kind == spool.ANSWER]
    assert set(kept.values()) == {1} and reports <= set(kept) and len(kept) == len(reports) + len(answers)
    assert ledger.first_break(entries) is None
    kinds = Counter(entry.kind for entry in entries)
    assert (kinds["evidence"], kinds["answered"], kinds["run-opened"]) == (len(reports), len(answers), 1)


def test_a_killed_deliverer_holds_nobody_up(tmp_path: Path) -> None:
    """Its lock ends with its process."""
    key = BenchKey.load_or_create(tmp_path / "bench.jwk")
    code = "import sys,time\nfrom pathlib import Path\nfrom benchworthy.bench.spool import Spool\nw=Spool(Path(sys.argv[1]))\n"
    code += "with w.alone():\n    w.begin('r-abcd')\n    print('in', flush=True)\n    time.sleep(60)"
    words = [sys.executable, "-c", code, str(tmp_path / "bench")]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as holder:
        assert holder.stdout is not None and holder.stdout.readline() == "in\n"
        waiting = box_at(tmp_path / "bench", key).spool
        assert waiting.going_on("r-abcd")
        holder.kill()
    assert not waiting.going_on("r-abcd")
    with waiting.alone():
        assert waiting.runs() == ["r-abcd"]
