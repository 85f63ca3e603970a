"""Plays a board's scenario on real MicroPython, against a broker that is spoken byte by byte if need be."""

import json
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from services import micropython

SCRIPT = micropython.SCRIPTS / "link_scenarios.py"
CONNACK, CONNACK_SAME_SESSION = b"\x20\x02\x00\x00", b"\x20\x02\x01\x00"


def play(cwd: Path, name: str, **options):
    given = json.dumps({"serial": "TRN1", "password": "one-secret", "timeout": 1, **options})
    return json.loads(micropython.run(SCRIPT, name, cwd=cwd, given=given, heap="256k").splitlines()[-1])


class Peer:
    """One accepted connection of a scripted broker, spoken byte by byte."""

    def __init__(self, connection: socket.socket) -> None:
        self.connection = connection
        connection.settimeout(10)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def send(self, octets: bytes) -> None:
        self.connection.sendall(octets)

    def packet(self) -> bytes:
        """The next whole packet, or b"" at the end of the connection."""
        head, size, shift = self._exactly(1), 0, 0
        while head:
            head += self._exactly(1)
            size |= (head[-1] & 0x7F) << shift
            shift += 7
            if not head[-1] & 0x80:
                return head + self._exactly(size)
        return b""

    def _exactly(self, size: int) -> bytes:
        octets = b""
        while len(octets) < size:
            piece = self.connection.recv(size - len(octets))
            if not piece:
                return b""
            octets += piece
        return octets


@contextmanager
def scripted_broker(*acts: Callable[[Peer], None]) -> Iterator[int]:
    """A broker that plays one act per connection; gives its port. An act's fault fails the test."""
    faults: list[BaseException] = []

    def serve() -> None:
        for act in acts:
            try:
                connection, _ = server.accept()
                with connection:
                    act(Peer(connection))
            except (BrokenPipeError, ConnectionResetError):
                continue  # the board hung up, as it should on most of these
            except (AssertionError, OSError) as fault:
                faults.append(fault)

    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(10)
        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield server.getsockname()[1]
        finally:
            thread.join(15)
    assert not thread.is_alive()
    if faults:
        raise faults[0]


def against(tmp_path: Path, name: str, *acts: Callable[[Peer], None], **options):
    with scripted_broker(*acts) as port:
        return play(tmp_path, name, port=port, **options)


def accept(peer: Peer) -> None:
    assert peer.packet()[0] == 0x10
    peer.send(CONNACK)
