"""The two-wire bus: what answers, the plug's memory, a line held low, and the time of rise."""

import binascii
import time

import machine
from micropython import const

from benchworthy_agent import modules
from benchworthy_agent.boards import NotHere, rp2

_PLUG_ADDRESS = const(0x57)
_PLUG_CHARACTERS = const(16)
_CLOCKS = const(9)
_HALF_CLOCK_US = const(5)
_PIECE = const(64)


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
            octets = b"".join([bus.readfrom_mem(address, at, min(_PIECE, size - at)) for at in range(0, size, _PIECE)])
        except OSError:
            octets = b""
        errors += int(not octets or _crc(octets[:-4]) != octets[-4:])
    _release(board, data, clock)
    return errors


def _crc(octets):
    return (binascii.crc32(octets) & 0xFFFFFFFF).to_bytes(4, "big")


def clear_bus(board, data, clock):
    """Clock a bus until its data line is high, at most nine times, and end with a STOP; the clocks it took, 10 if in vain."""
    _release(board, data, clock)
    clocks = 0
    while not board.level(data) and clocks <= _CLOCKS:
        clocks += 1
        if clocks <= _CLOCKS:
            board.out(clock, 0)
            time.sleep_us(_HALF_CLOCK_US)
            board.pull(clock, None)
            time.sleep_us(_HALF_CLOCK_US)
    if 0 < clocks <= _CLOCKS:
        board.out(data, 0)
        time.sleep_us(_HALF_CLOCK_US)
        board.pull(data, None)
    return clocks


def rise(board, port, n):
    """The tally of n times of rise in nanoseconds, after the line was held low and let go."""
    measure = getattr(machine, "rise_ns", None)
    if measure is None:
        try:
            measure = modules.load("boards.rp2_pio").rise_ns
        except ImportError:
            raise NotHere("no pulse timer on this port")
    number = board.number(port)
    try:
        return rp2.tally(lambda: measure(machine.Pin(number)), n)
    finally:
        board.pull(port, None)
