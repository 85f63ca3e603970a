"""Serves HTTP until told to end, and then ends what was begun: requests that are on their way get their answers first.

waitress by itself stops reading at once, gives running requests five seconds and drops those that wait for a thread. So its
loop is run here, turn by turn, with a last part in which nobody new is let in.
"""

import time
from collections.abc import Callable
from typing import Any, Final

from waitress import wasyncore
from waitress.channel import HTTPChannel
from waitress.server import BaseWSGIServer

DRAIN_SECONDS: Final = 9.0  # longer than a write waits for the database's lock, shorter than the supervisor's patience
_TURN_SECONDS: Final = 1.0
_LAST_LOOK: Final = 20


def serve(server: Any, told: Callable[[], bool]) -> None:
    """Serve until `told`, let nobody new in, answer what was begun (DRAIN_SECONDS at most), close."""
    sockets = _sockets(server)
    while not told():
        _turn(server, sockets, _TURN_SECONDS)
    for _ in range(_LAST_LOOK):  # who had connected before is let in; one at a time is accepted
        _turn(server, sockets, 0.0)
    for listening in [one for one in sockets.values() if isinstance(one, BaseWSGIServer)]:
        wasyncore.dispatcher.close(listening)
    deadline = time.monotonic() + DRAIN_SECONDS
    while _still_busy(sockets) and time.monotonic() < deadline:
        _turn(server, sockets, 0.05)
    server.task_dispatcher.shutdown(timeout=0.5)
    wasyncore.close_all(sockets)


def wake(server: Any) -> None:
    """Let a waiting turn end now; may be called by a signal handler."""
    for listening in [one for one in _sockets(server).values() if isinstance(one, BaseWSGIServer)]:
        listening.pull_trigger()


def _still_busy(sockets: dict[int, Any]) -> bool:
    """Close every connection on which nothing is on its way; True while others are left."""
    for channel in _channels(sockets):
        with channel.requests_lock:
            idle = not channel.requests and channel.request is None and not channel.total_outbufs_len
        if idle:
            channel.handle_close()
    return bool(_channels(sockets))


def _channels(sockets: dict[int, Any]) -> list[Any]:
    return [one for one in sockets.values() if isinstance(one, HTTPChannel)]


def _turn(server: Any, sockets: dict[int, Any], seconds: float) -> None:
    wasyncore.loop(timeout=seconds, use_poll=server.adj.asyncore_use_poll, map=sockets, count=1)


def _sockets(server: Any) -> dict[int, Any]:
    """One server has `_map`; several, for a name with several addresses, share `map`."""
    found: dict[int, Any] = server.map if hasattr(server, "map") else server._map
    return found
