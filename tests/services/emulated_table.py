"""A person in front of an emulated Beck: pulls its cable, presses its key, and sees its pins from outside the firmware."""

import itertools
import socket
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from typing import Any

from benchworthy.bench.probe import Link
from benchworthy.bench.reach import Reach
from benchworthy.bench.transport import BoardLink
from services.emulated_board import EmulatedBoard

LAMPS, SOUNDER, KEY, M1 = (4, 5, 6, 7, 8, 9), 16, 17, 18
_FEW, _LOW_HZ = 40, 500.0
_LOOK_S = 0.004
_BURST = 32
_QUIET_S = 0.04  # the silences of the patterns are longer, a half period of the lowest tone is shorter


@contextmanager
def link_to(board: EmulatedBoard, recover: bool = False) -> Iterator[BoardLink]:
    """A link to the board, which has become a Beck again if it lost its memory in between."""
    with serial_link(board.port, recover=recover) as link:
        if not board.is_beck:
            board.become_beck(link)
        yield link


@contextmanager
def serial_link(port: str, **more: Any) -> Iterator[BoardLink]:
    """A link whose bytes go as they do on a serial line."""
    with BoardLink(port, **more) as link:
        _as_a_serial_line(link)
        yield link


def _as_a_serial_line(link: BoardLink) -> None:
    """Small writes go out at once, and bytes come no faster than at 115200 Bd: a burst would keep the emulated controller in
    its interrupt, and overrun the 64 bytes it has for them."""
    port = link._plain
    port._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    write = port.write

    def paced(octets: bytes) -> int:
        for start in range(0, len(octets), _BURST):
            write(burst := octets[start : start + _BURST])
            time.sleep(len(burst) * 10 / 115_200)
        return len(octets)

    port.write = paced


def reach(board: EmulatedBoard) -> Reach:
    """How the bench reaches the board; the opener stands for firmware that would be there from the start."""

    def opened(port: str, recover: bool) -> AbstractContextManager[Link]:
        assert port == board.port
        return link_to(board, recover)

    return Reach(board.port, listing=board.listing, opener=opened, settle_s=2.0)


@dataclass
class Watcher:
    """Looks at what the firmware drives while something happens, pin by pin, past the firmware."""

    board: EmulatedBoard
    seen: list[tuple[float, int]] = field(default_factory=list)

    def during(self, start: Callable[[], None]) -> list[tuple[float, int]]:
        """Every change of the driven pins with its time, while `start` runs."""
        self.seen = []
        ended = threading.Event()
        looking = threading.Thread(target=self._look, args=(ended,))
        looking.start()
        try:
            start()
        finally:
            ended.set()
            looking.join(5.0)
        return self.seen

    def _look(self, ended: threading.Event) -> None:
        over = False
        while not over:
            over = ended.is_set()  # one more look after the end
            mask = self.board.driven()
            if not self.seen or self.seen[-1][1] != mask:
                self.seen.append((time.monotonic(), mask))
            time.sleep(_LOOK_S)


@dataclass
class EmulatedOperator:
    """Follows the operator's contract; `bounces` is how often the key opens again at each touch."""

    board: EmulatedBoard
    label: str
    volts: float = 3.3
    bounces: int = 0
    diary: list[str] = field(default_factory=list)

    def scan_label(self) -> str:
        return self.label

    def fit(self, fixture: str, serial: str) -> None:
        self.diary.append(f"fit {fixture} {serial}")

    def remove(self, fixture: str) -> None:
        self.diary.append(f"remove {fixture}")

    def act(self, action: str, ask: str) -> None:
        self.diary.append(action)
        if action == "pull-usb":
            self.board.pull_out()
        elif action == "press-key":
            threading.Thread(target=press, args=(self.board, 5, 1.0, self.bounces), daemon=True).start()

    def undo(self, action: str) -> None:
        self.diary.append(f"undo {action}")
        if action == "pull-usb":
            self.board.plug_in()

    def clear(self, hazard: str) -> None:
        self.diary.append("clear")

    def watch(self, procedure: str, ask: str, start: Callable[[], None]) -> str:
        if procedure == "tone":
            known = len(self.board.changes)
            start()
            return heard([at for at, pin in self.board.changes[known:] if pin == SOUNDER])
        seen = Watcher(self.board).during(start)
        return went_out(seen) if procedure == "dark" else turns(seen)

    def read_meter(self, test: str, ask: str, quantity: str = "") -> float:
        return 4700.0 if test == "PRE-COLD" else self.volts

    def check_list(self, test: str, ask: str, items: Sequence[str]) -> Mapping[str, str]:
        return dict.fromkeys(items, "good")


def went_out(seen: Sequence[tuple[float, int]]) -> str:
    """The number of the lamp that went out after all were lit; 0 when they were never all lit."""
    every = sum(1 << pin for pin in LAMPS)
    masks = [mask & every for _, mask in seen]
    if every not in masks:
        return "0"
    after = masks[masks.index(every) + 1] if every in masks[:-1] else every
    return next((str(place) for place, pin in enumerate(LAMPS, 1) if not after >> pin & 1), "0")


def heard(moved: Sequence[float]) -> str:
    """Which pattern the sounder played, by the moments at which its pin changed: how low, else how many silences."""
    if len(moved) < _FEW:
        return "none"
    gaps = [after - before for before, after in itertools.pairwise(moved)]
    silences = [gap for gap in gaps if gap > _QUIET_S]
    pitch = len(moved) / 2 / (moved[-1] - moved[0] - sum(silences))
    return "long-long" if pitch < _LOW_HZ else "rising" if len(silences) >= 3 else "dot-dash-dot"


def turns(seen: Sequence[tuple[float, int]]) -> str:
    """What the output did while the first lamp was lit, each time."""
    words: list[str] = []
    lit = False
    for _, mask in seen:
        now = bool(mask >> LAMPS[0] & 1)
        if now and not lit:
            words.append("off")
        if now and mask >> M1 & 1:
            words[-1] = "forward"
        lit = now
    return " ".join(words)


def press(board: EmulatedBoard, times: int, begin_s: float, bounces: int) -> None:
    """Press the key; at each touch it opens again so many times."""
    time.sleep(begin_s)
    for _ in range(times):
        board.inject(KEY, 0)
        for _ in range(bounces):
            for level in (1, 0):
                time.sleep(0.001)
                board.inject(KEY, level)
        time.sleep(0.15)
        board.inject(KEY, None)
        time.sleep(0.15)
