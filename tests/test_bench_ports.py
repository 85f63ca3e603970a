"""What is at a serial port is told apart in bounded time, and a board is never simply the first port found."""

import contextlib
import fcntl
import json
import os
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from bench_doubles import PtyBoard, real_board
from benchworthy.bench import choosing, holders, portlist, probe, probing
from benchworthy.bench.people import ConsoleOperator
from benchworthy.bench.portlist import Arrival, PortEntry
from benchworthy.cli.main import main
from benchworthy.errors import BoardAnother, PortAbsent

STATE = '{"serial": "TARN0001A", "epoch": 1, "boot": 3, "key": ""}'


@contextlib.contextmanager
def _board_on_a_port(folder: Path) -> Iterator[str]:
    flash = folder / "flash"
    flash.mkdir()
    (flash / "state.json").write_text(STATE)
    with real_board(flash) as port:
        yield port


def test_every_kind_of_thing_at_a_port_is_told_apart(tmp_path: Path) -> None:
    """Side by side, each in a process of its own; the folder's links are found as ports by their names."""
    ports = tmp_path / "ports"
    ports.mkdir()
    with contextlib.ExitStack() as stack:
        for start in ("mute", "chatter", "printer", "loop", "held"):
            board = stack.enter_context(PtyBoard(start=start))
            (ports / start).symlink_to(board.port)
        held = os.open(ports / "held", os.O_RDWR | os.O_NOCTTY)
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        (ports / "e66001").symlink_to(stack.enter_context(_board_on_a_port(tmp_path)))
        (ports / "gone").symlink_to("/dev/pts/99999")
        begun = time.monotonic()
        listed = [entry for entry in portlist.listed(ports) if entry.about == "stand-in board"]
        found = {Path(one.port).name: one for one in probing.look_at_all([*listed, PortEntry(str(ports / "gone"))])}
        assert time.monotonic() - begun < 40
        os.close(held)
    assert {name: one.state for name, one in found.items()} == {
        "e66001": "board",
        "mute": "silent",
        "chatter": "chattering",
        "printer": "not MicroPython",
        "loop": "reset loop",
        "held": "busy",
        "gone": "absent",
    }
    board_found = found["e66001"].board
    assert board_found is not None and (board_found.serial, board_found.boot, board_found.stand_in) == ("TARN0001A", 3, True)
    assert {name: one.code for name, one in found.items() if one.board is None} == {
        "mute": "board-silent",
        "chatter": "board-chattering",
        "printer": "not-micropython",
        "loop": "board-restarting",
        "held": "port-busy",
        "gone": "port-absent",
    }
    assert f"(process {os.getpid()})" in found["held"].told


def test_a_look_that_hangs_is_ended() -> None:
    """The driver of a port may hold a process for ever; the bench goes on."""
    with PtyBoard(start="mute") as board:
        begun = time.monotonic()
        found = probing.look_apart(board.port, timeout_s=0.2)
        assert time.monotonic() - begun < 5
    assert (found.state, found.board) == ("stuck", None) and "Unplug" in found.told


def test_the_command_says_what_is_where(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A table for people, JSON for scripts; exit 0 with a board, 1 without."""
    with _board_on_a_port(tmp_path) as port:
        assert main(["bench", "ports", "--port", port]) == 0
        shown = capsys.readouterr().out
        assert "board TARN0001A, module e66001, a stand-in" in shown
    assert main(["bench", "ports", "--port", str(tmp_path / "none"), "--json"]) == 1
    (told,) = json.loads(capsys.readouterr().out)
    assert (told["state"], told["code"], told["board"]) == ("absent", "port-absent", None)


def test_holders_of_a_port_are_read_from_the_system(tmp_path: Path) -> None:
    """By name and process; unreadable entries are passed over, and a system without /proc tells nothing."""
    port = tmp_path / "ttyX"
    port.touch()
    mine = tmp_path / "proc" / "77"
    (mine / "fd").mkdir(parents=True)
    (mine / "fd" / "3").symlink_to(port)
    (mine / "comm").write_text("a-terminal\n")
    (tmp_path / "proc" / "78").mkdir()
    assert holders.holders(str(port), tmp_path / "proc") == ["a-terminal (process 77)"]
    assert holders.holders(str(port), tmp_path / "nothing") == []


# --- which port is the board's ---------------------------------------------------------------------------------------

BOARD = probe.Identity("e66001", True, "", 1, "1.0.0")


def _found(entry: PortEntry, modules: dict[str, str]) -> probing.Found:
    if entry.name not in modules:
        return probing.Found(entry.name, "silent", "It says nothing.", "board-silent")
    return probing.Found(entry.name, "board", "a board", board=probe.Identity(modules[entry.name], True, "", 1, "1.0.0"))


class _Desk:
    """Ports that a person plugs things into."""

    def __init__(self, before: Sequence[str], after: Sequence[str], modules: dict[str, str]) -> None:
        self.names, self.after, self.modules = list(before), list(after), modules
        self.looked: list[str] = []
        self.busy = 0

    def listing(self) -> list[PortEntry]:
        return [PortEntry(name) for name in self.names]

    def look(self, entries: Sequence[PortEntry]) -> list[probing.Found]:
        self.looked += [entry.name for entry in entries]
        if self.busy:
            self.busy -= 1
            return [probing.Found(entry.name, "busy", "The system works on it.", "port-busy") for entry in entries]
        return [_found(entry, self.modules) for entry in entries]

    def choose(self, module: str | None) -> tuple[str, Arrival | None]:
        operator = ConsoleOperator()
        operator.undo = lambda action: self.names.extend(self.after)  # type: ignore[method-assign]
        return choosing.port_of(module, operator, lambda text: None, self.listing, self.look)


def test_without_a_known_module_it_is_the_port_that_appears() -> None:
    """What was there before is not even looked at: it may be somebody else's machine."""
    desk = _Desk(["printer", "other"], ["mine"], {"other": "e60000", "mine": "e66001"})
    port, arrival = desk.choose(None)
    assert port == "mine" and arrival is not None and [entry.name for entry in arrival.new] == ["mine"]
    assert desk.looked == ["mine"]


def test_a_known_module_is_recognised_wherever_it_is_plugged_in() -> None:
    """By its id, not by the port's name."""
    desk = _Desk(["other", "mine"], [], {"other": "e60000", "mine": "e66001"})
    assert desk.choose("E66001") == ("mine", None)


def test_a_port_that_was_just_plugged_in_may_be_busy_for_a_moment() -> None:
    """It is looked at again, and the new port is still the only one."""
    desk = _Desk(["printer"], ["mine"], {"mine": "e66001"})
    desk.busy = 2
    assert desk.choose(None)[0] == "mine" and desk.looked == ["mine"] * 3


def test_two_boards_at_once_are_not_guessed_at() -> None:
    """Nor is something that is no board."""
    with pytest.raises(BoardAnother, match="2 boards appeared"):
        _Desk([], ["a", "b"], {"a": "e60000", "b": "e66001"}).choose(None)
    with pytest.raises(BoardAnother, match="It says nothing"):
        _Desk([], ["a"], {}).choose(None)


def test_nothing_plugged_in_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """After a bounded wait."""
    monkeypatch.setattr(choosing, "WATCH_S", 0.2)
    with pytest.raises(PortAbsent):
        _Desk(["printer"], [], {}).choose(None)
