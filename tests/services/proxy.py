"""A wire between bench and board that can be told to lose bytes or to talk nonsense."""

import contextlib
import random
import socket
import threading
import time
from collections.abc import Iterator

_BURST = 32


class BadWire:
    """Passes bytes both ways, to the board no faster than at 115200 Bd.

    `lose` is the chance of each byte to the board to vanish; `nonsense` answers instead of it.
    """

    def __init__(self, to: int, seed: int = 1) -> None:
        self.lose, self.nonsense, self.lost = 0.0, b"", 0
        self._chance = random.Random(seed)
        self._to = to
        self._door = socket.create_server(("127.0.0.1", 0))
        self.port = f"socket://127.0.0.1:{self._door.getsockname()[1]}"
        self._open: list[socket.socket] = [self._door]
        threading.Thread(target=self._serve, daemon=True).start()

    def close(self) -> None:
        for line in self._open:
            with contextlib.suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)
            line.close()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                bench, _ = self._door.accept()
                board = socket.create_connection(("127.0.0.1", self._to))
                self._open += [bench, board]
                threading.Thread(target=self._pass, args=(bench, board, True), daemon=True).start()
                threading.Thread(target=self._pass, args=(board, bench, False), daemon=True).start()

    def _pass(self, source: socket.socket, sink: socket.socket, to_board: bool) -> None:
        with contextlib.suppress(OSError):
            while octets := source.recv(4096):
                if self.nonsense:
                    source.sendall(self.nonsense) if to_board else None
                    continue
                kept = bytes(o for o in octets if not to_board or self._chance.random() >= self.lose)
                self.lost += len(octets) - len(kept)
                for start in range(0, len(kept), _BURST):
                    sink.sendall(kept[start : start + _BURST])
                    time.sleep(_BURST * 10 / 115_200 if to_board else 0)
        for line in (source, sink):
            with contextlib.suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)


@contextlib.contextmanager
def bad_wire(to: int, seed: int = 1) -> Iterator[BadWire]:
    """A wire to a port of this machine, for as long as the block lasts."""
    wire = BadWire(to, seed)
    try:
        yield wire
    finally:
        wire.close()
