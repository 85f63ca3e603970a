"""Whether the board knows the date, and a way to learn it; certificates have dates, so TLS asks here first."""

import os
import select
import socket
import struct
import time

BUILT = 2026  # the year of this release: a clock before it was never set
_PACKET = 48
_CENTURY = 100
_SECONDS_1900_TO_1970 = 2208988800
_SECONDS_1900_TO_2000 = 3155673600


def ok():
    """Whether the year is one in which this code can run. Boards start in 1970, 2000 or 2021 when nobody told them."""
    return BUILT <= time.gmtime()[0] < BUILT + _CENTURY


def set_by_ntp(host, set_clock, timeout_ms=3000, port=123):
    """Ask a time server (RFC 5905), hand the UTC to `set_clock` as gmtime() gives it; True if that was done.

    A refusal, an answer to another question and a year outside this code's life are not believed.
    """
    sock = None
    try:
        address = socket.getaddrinfo(host, port, 0, socket.SOCK_DGRAM)[0][-1]
        sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        return _ask(sock, address, set_clock, timeout_ms)
    except (OSError, IndexError, ValueError, OverflowError, MemoryError):
        return False
    finally:
        if sock is not None:
            sock.close()


def _ask(sock, address, set_clock, timeout_ms):
    nonce = os.urandom(8)
    question = bytearray(_PACKET)
    question[0] = 0x23  # version 4, a client
    question[40:48] = nonce
    poll = select.poll()
    poll.register(sock, select.POLLIN)
    sock.sendto(question, address)
    deadline = time.ticks_add(time.ticks_ms(), timeout_ms)
    while True:
        left = time.ticks_diff(deadline, time.ticks_ms())
        if left <= 0 or not poll.poll(left):
            return False
        moment = _moment(sock.recv(_PACKET), nonce)
        if moment is not None:
            set_clock(moment)
            return True


def _moment(answer, nonce):
    """The UTC of a server's answer as gmtime() gives it, None if it is not to be believed."""
    if len(answer) < _PACKET or answer[24:32] != nonce:
        return None
    # The two top bits say "not synchronised", the three lowest "a server"; stratum 0 is a refusal, 16 knows nothing.
    if answer[0] >> 6 == 3 or answer[0] & 7 != 4 or not 0 < answer[1] < 16:
        return None
    seconds = struct.unpack("!I", answer[40:44])[0]
    if seconds < 0x80000000:
        seconds += 1 << 32  # the 32 bits begin anew in 2036
    start = _SECONDS_1900_TO_1970 if time.gmtime(0)[0] == 1970 else _SECONDS_1900_TO_2000
    moment = time.gmtime(seconds - start)
    return moment if BUILT <= moment[0] < BUILT + _CENTURY else None
