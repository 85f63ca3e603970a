"""TLS to a broker whose certificate is checked against one authority: checked, or no connection at all.

Memory, measured on the 64-bit unix port: 30 kB at the handshake, 23 kB of it until the end, all outside this heap. On a
module it was not measured; where the TLS library takes its memory from this heap, it needs 16 kB in one piece: connect
before building a report.
"""

import io
import select
import ssl
import time

from benchworthy_agent import clock
from benchworthy_agent.link import LinkError

_ETIMEDOUT = 110
_CLOSE = 4  # the stream protocol's number for it


def check():
    """LinkError if a certificate cannot be checked here; called before anything is sent."""
    context = getattr(ssl, "SSLContext", None)
    if not hasattr(context, "load_verify_locations"):
        raise LinkError("this MicroPython cannot check a certificate: TLS needs 1.22 or newer")
    if not clock.ok():
        raise LinkError("the clock is not set, so no certificate can be checked: set it, then connect again")


def wrap(sock, poll, host, ca, timeout_ms):
    """The stream that speaks TLS over a connected, non-blocking socket. LinkError says what is wrong with the peer.

    `ca` is the authority's certificate as DER. `poll` watches the socket.
    """
    below = _Below(sock, poll, timeout_ms)
    try:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.verify_mode = ssl.CERT_REQUIRED
        context.load_verify_locations(cadata=ca)
        stream = context.wrap_socket(below, server_hostname=host)
    except MemoryError:
        raise LinkError("TLS: out of memory")
    except (OSError, ValueError) as error:
        raise LinkError("TLS: " + _said(error))
    below.established()
    return stream


class _Below(io.IOBase):
    """The socket as TLS sees it: it waits, by poll and not for ever, while hands are shaken, and never afterwards."""

    def __init__(self, sock, poll, timeout_ms):
        self._sock = sock
        self._poll = poll
        self._deadline = time.ticks_add(time.ticks_ms(), timeout_ms)

    def established(self):
        self._deadline = None

    def readinto(self, buffer):
        return self._sock.readinto(buffer) if self._in_time(select.POLLIN) else -_ETIMEDOUT

    def write(self, buffer):
        return self._sock.write(buffer) if self._in_time(select.POLLOUT) else -_ETIMEDOUT

    def ioctl(self, request, argument):
        if request == _CLOSE:
            self._sock.close()
        return 0

    def _in_time(self, event):
        if self._deadline is None:
            return True
        self._poll.modify(self._sock, event)
        left = time.ticks_diff(self._deadline, time.ticks_ms())
        ready = left > 0 and bool(self._poll.poll(left))
        self._poll.modify(self._sock, select.POLLIN)
        return ready


def _said(error):
    if isinstance(error, ValueError):
        return str(error).strip()  # what is wrong with the certificate, in the TLS library's words
    if error.args and error.args[0] in (_ETIMEDOUT, -_ETIMEDOUT):
        return "the broker does not answer the handshake"
    return "the handshake failed (%s); does the broker speak TLS on this port?" % error
