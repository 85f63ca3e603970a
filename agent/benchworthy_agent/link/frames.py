"""A token on a serial line: one line of ASCII that can be told from whatever else is printed."""

import binascii

MAX_TOKEN = 4096


def frame(token):
    """The line (text) that carries `token` (ASCII bytes). ValueError if it is longer than a report may be."""
    if len(token) > MAX_TOKEN:
        raise ValueError("token of %d bytes, at most %d" % (len(token), MAX_TOKEN))
    return "=BW= %04x %08x %s\n" % (len(token), binascii.crc32(token) & 0xFFFFFFFF, token.decode())


def heartbeat(ms):
    """The line (text) that says the board is still at work, `ms` milliseconds after its start."""
    return "=HB= %d\n" % ms
