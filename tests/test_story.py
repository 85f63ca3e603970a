"""The whole story and the processes as a user meets them: real programs, started here and waited for until they are gone."""

import contextlib
import json
import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import pytest

from benchworthy import certificate_actions
from services import absent
from services.micropython import interpreter
from services.mosquitto import SITE, Mosquitto, running_mosquitto, until
from services.service import environment, trial

COMMAND = [sys.executable, "-m", "benchworthy.cli.main"]
LISTENER = [sys.executable, "-m", "benchworthy.serve.listener"]


def marked(name: str) -> list[int]:
    """Processes of this machine whose environment or command line holds `name`, zombies left aside."""
    found = []
    for place in Path("/proc").iterdir():
        if not place.name.isdigit() or int(place.name) == os.getpid():
            continue
        with contextlib.suppress(OSError):
            told = (place / "environ").read_bytes() + (place / "cmdline").read_bytes() + str((place / "cwd").readlink()).encode()
            if name.encode() in told:
                found.append(int(place.name))
    return found


@pytest.mark.parametrize("fault", ["R17=100k", "J4.2=bent"])
def test_the_demonstration_holds_and_leaves_no_process_behind(tmp_path: Path, fault: str) -> None:
    """Exit 0 with every step said; mosquitto, service, boards: all gone, and so is the data."""
    interpreter()
    own = {**os.environ, "TMPDIR": str(tmp_path)}
    done = subprocess.run(
        [*COMMAND, "demo", "--once", "--fault", fault],
        env=own,
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    said = done.stderr
    assert "Every step held" in said
    for step in ("no-bench-evidence", "VIRTUAL", "exit 4, lapsed", "held, for this reason:"):
        assert step in said, said
    assert "J4" in said.partition("held, for this reason:")[2], "the reason names what to look at"
    assert until(lambda: not marked(str(tmp_path)), 10), [Path(f"/proc/{p}/cmdline").read_bytes() for p in marked(str(tmp_path))]
    assert list(tmp_path.iterdir()) == []


@contextmanager
def serving(settings: dict[str, str], log: Path) -> Iterator["subprocess.Popen[bytes]"]:
    """`benchworthy serve` with its log; ended for certain."""
    with log.open("wb") as out:
        process = subprocess.Popen([*COMMAND, "serve"], env=settings, stdout=out, stderr=out)
    try:
        yield process
    finally:
        if process.poll() is None:
            process.terminate()
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(15)
        if process.poll() is None:
            process.kill()
            process.wait(10)


def children(parent: int) -> dict[str, int]:
    """The two processes of a supervisor by name."""
    listed = Path(f"/proc/{parent}/task/{parent}/children").read_text().split()
    named = {}
    for pid in listed:
        words = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
        named |= {w.decode().rpartition(".")[2]: int(pid) for w in words if w.startswith(b"benchworthy.serve.")}
    return named


def gone(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return "\nState:\tZ" in Path(f"/proc/{pid}/status").read_text()


def wait_for_both(process: "subprocess.Popen[bytes]", log: Path) -> dict[str, int]:
    """Both children, once the listener has its connection."""
    assert until(lambda: "connected to the broker" in log.read_text() or process.poll() is not None, 60), log.read_text()
    found = children(process.pid)
    assert set(found) == {"web", "listener"}, log.read_text()
    return found


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    if not Path("/proc/self/task").is_dir():
        absent("no /proc, by which children are found")
    with running_mosquitto(tmp_path, {}) as started:
        yield started


def test_serve_ends_both_children_when_told_to(tmp_path: Path, broker: Mosquitto) -> None:
    """SIGTERM to the supervisor: exit 0, and neither child outlives it."""
    log = tmp_path / "serve.log"
    with serving(environment(tmp_path / "data", broker), log) as process:
        both = wait_for_both(process, log)
        process.terminate()
        assert process.wait(20) == 0, log.read_text()
        assert all(gone(pid) for pid in both.values())


def test_a_second_listener_is_refused_and_the_first_goes_on(tmp_path: Path, broker: Mosquitto) -> None:
    """One listener serves a site; once it is killed, another is let in at once."""
    settings = environment(tmp_path / "data", broker)
    log = tmp_path / "listener.log"
    with log.open("wb") as out:
        first = subprocess.Popen(LISTENER, env=settings, stdout=out, stderr=out)
    try:
        assert until(lambda: "connected to the broker" in log.read_text(), 60), log.read_text()
        second = subprocess.run(LISTENER, env=settings, capture_output=True, text=True, timeout=60, check=False)
        assert second.returncode == 2 and f"pid {first.pid} " in second.stderr and "is served by" in second.stderr, second.stderr
        assert first.poll() is None
    finally:
        first.kill()
        first.wait(10)
    with log.open("wb") as out:
        third = subprocess.Popen(LISTENER, env=settings, stdout=out, stderr=out)
    try:
        assert until(lambda: "connected to the broker" in log.read_text(), 60), log.read_text()
        third.terminate()
        assert third.wait(20) == 0
    finally:
        if third.poll() is None:
            third.kill()
            third.wait(10)


def test_serve_refuses_a_port_in_use_and_says_what_to_do(tmp_path: Path) -> None:
    """The message names the port and the setting; no traceback."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        settings = environment(tmp_path / "data", None) | {"BENCHWORTHY_HTTP": f"127.0.0.1:{taken.getsockname()[1]}"}
        done = subprocess.run([*COMMAND, "serve"], env=settings, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode != 0
    assert "BENCHWORTHY_HTTP" in done.stderr and "Traceback" not in done.stderr, done.stderr


# ------------------------------------------------------------------------------------------------------- verify


@pytest.fixture(scope="module")
def papers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A certificate with the keys, today's status list, and lists and certificates that differ."""
    folder = tmp_path_factory.mktemp("papers")
    with trial(folder / "data") as made, trial(folder / "elsewhere", SITE) as other:
        serial = made.enrol("VERIFY")["serial"]
        made.whole_run(serial)
        token = made.certify(serial).json["token"]
        (folder / "certificate").write_text(token + "\n")
        (folder / "keys").write_text(made.client.get("/.well-known/jwks.json").text)
        (folder / "other-keys").write_text(other.client.get("/.well-known/jwks.json").text)
        (folder / "status").write_text(made.client.get("/api/v1/status-list").text)
        with made.house.database.writing() as work:
            work.desk.lapse(serial, "LAPSE-CHECKIN-FAILED", made.clock())
        (folder / "lapsed").write_text(certificate_actions.status_list(made.services))
        made.clock.ahead = -timedelta(days=30)
        (folder / "old").write_text(certificate_actions.status_list(made.services))
        head, body, signature = token.split(".")
        (folder / "forged").write_text(f"{head}.{body[:-4]}AAAA.{signature}")
    return folder


@pytest.mark.parametrize(
    ("certificate", "keys", "status", "code"),
    [
        ("certificate", "keys", "status", 0),
        ("certificate", "keys", None, 3),
        ("certificate", "keys", "old", 3),
        ("certificate", "keys", "lapsed", 4),
        ("forged", "keys", "status", 5),
        ("certificate", "other-keys", "status", 5),
        ("keys", "keys", "status", 5),
    ],
)
def test_verify_says_by_its_exit_code_what_a_certificate_is_worth(
    papers: Path, certificate: str, keys: str, status: str | None, code: int
) -> None:
    """Offline, from files; every answer is one sentence."""
    words = ["verify", str(papers / certificate), "--keys", str(papers / keys)]
    words += ["--status-list", str(papers / status)] if status else []
    done = subprocess.run([*COMMAND, *words], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == code, done.stdout + done.stderr
    assert done.stdout.count("\n") == 1 and "Traceback" not in done.stderr


def test_verify_refuses_a_file_that_is_not_there(papers: Path) -> None:
    """A missing file is no verdict on the certificate: none of the four exit codes."""
    words = ["verify", str(papers / "nothing"), "--keys", str(papers / "keys")]
    done = subprocess.run([*COMMAND, *words], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode not in (0, 3, 4, 5) and "Traceback" not in done.stderr, done.stderr
    assert json.loads((papers / "keys").read_text())["keys"]
