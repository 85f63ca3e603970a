"""The agent onto real MicroPython behind a serial port: by the bench, and by the tool that many people have."""

import hashlib
import json
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from bench_doubles import PtyBoard, real_board
from benchworthy.bench import installing, probe
from benchworthy.bench.client import Service
from benchworthy.bench.installing import Release
from benchworthy.bench.transport import BoardLink
from benchworthy.cli.main import main
from benchworthy.designs import agent_release
from benchworthy.errors import BenchFailure, InstallFailed
from services.served import served
from services.service import Trial, trial

pytestmark = pytest.mark.real_time

TOOL_S = 120


@dataclass
class Place:
    """A service with one board on record, and a module with an empty flash at a port."""

    trial: Trial
    url: str
    serial: str
    field_key: str
    flash: Path
    port: str

    def install(self, *options: str, serial: str | None = None) -> int:
        words = ["bench", "install", serial or self.serial, "--port", self.port, "--url", self.url]
        return main([*words, "--token", self.trial.secrets["tester"], *options])

    def on_board(self) -> dict[str, bytes]:
        files = [path for path in self.flash.rglob("*") if path.is_file()]
        return {str(path.relative_to(self.flash)): path.read_bytes() for path in files}


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    flash = tmp_path / "flash"
    flash.mkdir()
    with trial(tmp_path / "data") as made, served(made.app) as url, real_board(flash) as port:
        enrolled = made.enrol("KM0001")
        yield Place(made, url, enrolled["serial"], enrolled["field_key"], flash, port)


def test_a_module_with_an_empty_flash_gets_the_agent_and_its_key(place: Place, capsys: pytest.CaptureFixture[str]) -> None:
    """Every released file byte for byte, the state file with the board's own key, nothing else; no secret is printed."""
    assert place.install("--json") == 0
    there = place.on_board()
    state = json.loads(there.pop("state.json"))
    assert state == {"serial": place.serial, "epoch": 1, "key": place.field_key, "boot": 0}
    assert there == agent_release.sources()
    told = capsys.readouterr()
    assert place.field_key not in told.out + told.err
    assert json.loads(told.out)["left"] == []
    with place.trial.house.database.reading() as work:
        kinds = [entry.kind for entry in work.ledger.entries(place.serial)]
    assert kinds == ["enrolled", "field-key-told"], "that the key was told stands in the board's history"


def test_a_second_time_sends_only_what_differs_and_keeps_the_boot_counter(place: Place) -> None:
    """An interrupted installation is simply repeated; counters never go back."""
    place.install()
    (place.flash / "main.py").write_text("print('game')")
    (place.flash / "state.json").write_text(json.dumps({"serial": place.serial, "epoch": 1, "boot": 41, "key": ""}))
    written: list[str] = []
    with BoardLink(place.port) as link:
        release = installing.fetch_release(Service(place.url, ""))
        state = {"serial": place.serial, "epoch": 1, "key": place.field_key}
        done = installing.install(link, release, state, say=written.append)
    assert done.written == ("main.py",) and done.kept == len(release.files) - 1 and len(written) == 1
    assert json.loads(place.on_board()["state.json"])["boot"] == 41


def test_what_does_not_belong_is_named_and_removed_only_when_asked(place: Place, capsys: pytest.CaptureFixture[str]) -> None:
    """A borrower's programs may be somebody's work; reports that wait for their receipt are kept in any case."""
    (place.flash / "game.py").write_text("x = 1")
    (place.flash / "spool").mkdir()
    (place.flash / "spool" / "1.jws").write_text("waiting")
    assert place.install() == 1
    assert "game.py" in place.on_board() and "game.py" in capsys.readouterr().err
    assert place.install("--clean") == 0
    assert "game.py" not in place.on_board() and place.on_board()["spool/1.jws"] == b"waiting"


def test_passwords_are_taken_off_and_their_absence_read_back(place: Place) -> None:
    """Also the half-written ones of an interrupted save."""
    for name in ("secrets.json", "secrets.json.new"):
        (place.flash / name).write_text('{"wifi": {"ssid": "x", "password": "y"}}')
    assert place.install() == 0
    assert not [path for path in place.on_board() if path.startswith("secrets")]


def test_passwords_go_on_only_where_the_site_allows_it(
    place: Place, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A lent board never has them; a school's own fleet may."""
    network = tmp_path / "network.json"
    network.write_text(json.dumps({"wifi": {"ssid": "fleet", "password": "hush-hush"}}))
    assert place.install("--network", str(network)) == 2
    assert "FIELD_NETWORK" in capsys.readouterr().err and "secrets.json" not in place.on_board()
    access = {"site": "main", "host": "127.0.0.1", "port": 1883, "user": place.serial, "password": "broker-secret"}
    answer = {"serial": place.serial, "epoch": 1, "key": place.field_key, "mqtt": access}
    monkeypatch.setattr(Service, "field_key", lambda self, serial: answer)
    assert place.install("--network", str(network)) == 0
    assert json.loads(place.on_board()["secrets.json"]) == {"wifi": {"ssid": "fleet", "password": "hush-hush"}, "mqtt": access}
    told = capsys.readouterr()
    assert not [secret for secret in ("hush-hush", "broker-secret") if secret in told.out + told.err]


def test_another_boards_module_is_not_overwritten_by_mistake(place: Place, capsys: pytest.CaptureFixture[str]) -> None:
    """The number on the module is a hint that two boards were mixed up."""
    (place.flash / "state.json").write_text(json.dumps({"serial": "TARN0002B", "epoch": 1, "boot": 4, "key": "00"}))
    assert place.install() == 2
    assert "TARN0002B" in capsys.readouterr().err
    assert list(place.on_board()) == ["state.json"]
    assert place.install("--new-module") == 0


def test_a_file_that_the_service_changes_on_the_way_is_refused() -> None:
    """The address of each file holds its hash."""

    class Source:
        def fetch(self, path: str) -> bytes:
            if path.endswith("package.json"):
                package: dict[str, Any] = {
                    "version": "1",
                    "release": "0",
                    "urls": [],
                    "main": ["main.py", f"files/{'0' * 64}/main.py"],
                }
                return json.dumps(package).encode()
            return b"something else"

    with pytest.raises(InstallFailed, match="another file than it announced"):
        installing.fetch_release(Source())


@pytest.mark.parametrize("step", range(1, 12, 2))
def test_a_cable_pulled_at_any_step_is_bounded_and_told(step: int) -> None:
    """The n-th call fails as a port does; nothing but an error of the bench comes out."""
    calls = []

    def answer(board: PtyBoard, code: str) -> None:
        calls.append(code)
        if len(calls) >= step:
            board.vanish()
        elif "ilistdir" in code:
            board.write(b'=BP= "end"\r\n')
        elif "unique_id" in code:
            said = {"module": "e66001", "stand_in": True, "firmware": "x", "boot": 1, "agent": "", "serial": ""}
            board.write(f"=BP= {json.dumps(said)}\r\n".encode())

    release = Release("1", "0", {"main.py": b"x" * 2000, "lib/a/b.py": b"y"})
    with PtyBoard(answer) as board, pytest.raises(BenchFailure), BoardLink(board.port, silence_s=2, enter_s=1) as link:
        installing.install(link, release, {"serial": "S", "epoch": 1, "key": "k" * 64})
    assert len(calls) == step


def test_a_flash_that_writes_otherwise_than_told_is_noticed(tmp_path: Path) -> None:
    """What counts is what is read back."""
    flash = tmp_path / "flash"
    flash.mkdir()
    release = Release("1", "0", {"main.py": b"x = 1\n"})
    with real_board(flash) as port, BoardLink(port) as link:
        link.call("import os\n_o=open\ndef open(p,m='r'): return _o(p if m!='wb' else p+'~',m)", 5)
        with pytest.raises(InstallFailed, match=r"main\.py could not be written"):
            installing.install(link, release, {"serial": "S", "epoch": 1, "key": "secret-key"})


def test_the_tool_many_people_have_installs_from_the_service(place: Place) -> None:
    """`mpremote mip install` with nothing but this service's address; what it wrote is the release."""
    words = ["-m", "mpremote", "connect", place.port, "resume", "mip", "install", f"{place.url}/agent/package.json"]
    done = subprocess.run([sys.executable, *words], capture_output=True, text=True, timeout=TOOL_S, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    wanted = {path: content for path, content in agent_release.sources().items() if path.startswith("lib/")}
    assert place.on_board() == wanted
    with BoardLink(place.port) as link:
        assert probe.identity(link).agent_version == agent_release.current().version


def test_the_service_gives_out_released_files_and_nothing_else(tmp_path: Path) -> None:
    """No token is needed, as there is no secret; no other path of the machine is in reach."""
    with trial(tmp_path) as made:
        package = made.client.get("/agent/package.json").json
        assert package is not None and package["deps"] == []
        place = package["urls"][0][1]
        content = made.client.get(f"/agent/{place}").data
        assert hashlib.sha256(content).hexdigest() == place.split("/")[1]
        digest = place.split("/")[1]
        for path in ("state.json", "../main.py", "lib/../../server/benchworthy/__init__.py", "etc/passwd", "lib/nothing.py"):
            assert made.client.get(f"/agent/files/{digest}/{path}").status_code == 404, path
        assert made.client.get(f"/agent/files/{'0' * 64}/{place.split('/', 2)[2]}").status_code == 404
