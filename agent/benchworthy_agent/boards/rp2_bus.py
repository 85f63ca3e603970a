"""The two-wire bus: what answers, and the plug's memory."""

import binascii

import machine
from micropython import const

_PLUG_ADDRESS = const(0x57)
_PLUG_CHARACTERS = const(16)
_BLOCK = const(64)


def _bus(board, data, clock, hertz):
    sda, scl = board.number(data), board.number(clock)
    # Pins 2 and 3 belong to bus 1, pins 4 and 5 to bus 0, and so on in turn.
    return machine.I2C(sda // 2 % 2, scl=machine.Pin(scl), sda=machine.Pin(sda), freq=hertz)


def _release(board, data, clock):
    board.pull(data, None)
    board.pull(clock, None)


def plug_serial(board):
    """The serial number in the memory of the test plug, None when no plug answers."""
    try:
        octets = _bus(board, "sda", "scl", 100000).readfrom_mem(_PLUG_ADDRESS, 0, _PLUG_CHARACTERS)
    except OSError:
        octets = b""
    _release(board, "sda", "scl")
    text = "".join([chr(octet) for octet in octets if 0x20 < octet < 0x7F])
    return text or None


def scan(board, data, clock, hertz):
    """How many addresses answer, the lowest and the highest (0 if none)."""
    found = _bus(board, data, clock, hertz).scan()
    _release(board, data, clock)
    return (len(found), min(found), max(found)) if found else (0, 0, 0)


def memory_errors(board, data, clock, address, size, times, hertz):
    """How many of `times` readings of a memory failed, or gave other contents than its CRC-32 says."""
    bus = _bus(board, data, clock, hertz)
    errors = 0
    for _ in range(times):
        try:
            octets = b"".join([bus.readfrom_mem(address, at, min(_BLOCK, size - at)) for at in range(0, size, _BLOCK)])
        except OSError:
            octets = b""
        errors += int(not octets or _crc(octets[:-4]) != octets[-4:])
    _release(board, data, clock)
    return errors


def _crc(octets):
    return (binascii.crc32(octets) & 0xFFFFFFFF).to_bytes(4, "big")
