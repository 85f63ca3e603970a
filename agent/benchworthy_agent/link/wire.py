"""A TCP connection on which every wait ends, plain or with TLS.

It waits by select.poll alone, so that time may be virtual. Small writes go out at once: left to the
system's own wish to gather them, each meets the peer's delayed acknowledgement and costs 40 ms.
"""

import select
import socket
import time

from benchworthy_agent.link import LinkError

_BLOCK = 256
_EAGAIN = 11


class Wire:
    """An open connection. LinkError says what went wrong; `ca` is the DER of the authority to trust, or None."""

    def __init__(self, host, port, timeout_ms, ca=None):
        self._timeout_ms = timeout_ms
        self._more = False
        tls = None
        if ca:
            from benchworthy_agent.link import tls

            tls.check()  # before anything is sent
        try:
            address = socket.getaddrinfo(host, port, 0, socket.SOCK_STREAM)[0][-1]
        except (OSError, IndexError):
            raise LinkError("unknown host: %s" % host)
        self._sock = self._stream = socket.socket()
        try:
            self._sock.settimeout(timeout_ms / 1000)
            self._sock.connect(address)
            if hasattr(self._sock, "setsockopt"):
                self._sock.setsockopt(6, 1, 1)  # TCP_NODELAY
            self._sock.setblocking(False)
            self._poll = select.poll()
            self._poll.register(self._sock, select.POLLIN)
            if tls:
                self._stream = tls.wrap(self._sock, self._poll, host, ca, timeout_ms)
        except LinkError:
            self.close()
            raise
        except OSError as error:
            self.close()
            raise LinkError("cannot connect to %s:%d (%s)" % (host, port, error))

    def ready(self, ms):
        """Whether there is something to read, within `ms` milliseconds."""
        return self._more or bool(self._poll.poll(ms))

    def read(self):
        """The next bytes, b"" if there are none after all. LinkError when the peer has closed."""
        plain = self._stream is self._sock
        try:
            octets = self._sock.recv(_BLOCK) if plain else self._stream.read(_BLOCK)
        except OSError as error:
            if error.args[0] == _EAGAIN:
                return b""
            raise LinkError("connection lost (%s)" % error)
        if octets is not None and not octets:
            raise LinkError("connection closed by the broker")
        # TLS may hold more of a record that poll, asked about the socket, no longer sees.
        self._more = not plain and octets is not None and len(octets) == _BLOCK
        return octets or b""

    def write(self, octets):
        """Send all of `octets`, without copying them."""
        rest = memoryview(octets)
        deadline = time.ticks_add(time.ticks_ms(), self._timeout_ms)
        try:
            while len(rest):
                self._poll.modify(self._sock, select.POLLOUT)
                left = time.ticks_diff(deadline, time.ticks_ms())
                if left <= 0 or not self._poll.poll(left):
                    raise LinkError("cannot send: the broker does not read")
                rest = rest[self._stream.write(rest) or 0 :]
            self._poll.modify(self._sock, select.POLLIN)
        except LinkError:
            raise
        except OSError as error:
            raise LinkError("connection lost while sending (%s)" % error)

    def close(self):
        """Drop the connection. Never raises."""
        for stream in (self._stream, self._sock):
            try:
                stream.close()
            except OSError:
                pass
