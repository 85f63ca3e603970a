"""The module itself: its names, free memory, restarts, flash."""

import binascii
import gc
import os
import sys

import machine
from micropython import const

from benchworthy_agent import modules

_FILE = "flash.check"
_BLOCK = const(256)


def module_id(board):
    """The module's own number, in hex."""
    return binascii.hexlify(machine.unique_id()).decode()


def firmware(board):
    """What runs on the module, as one text of at most 64 characters."""
    name = os.uname().machine + "; " if hasattr(os, "uname") else ""
    return (name + sys.version)[:64]


def memory_free(board):
    """Free bytes after a collection."""
    gc.collect()
    return gc.mem_free()


def boots(board):
    """The boot counter now, less what it was when the run began."""
    return modules.load("state").load("state.json").boot - board.boot


def flash(board, size):
    """Free bytes, and how many of `size` bytes of a pattern came back different; the file is gone afterwards."""
    sizes = os.statvfs("/")
    free = sizes[0] * sizes[3]
    pattern = bytes((place * 7 + 3) & 0xFF for place in range(_BLOCK))
    wrong = 0
    try:
        with open(_FILE, "wb") as file:
            for _ in range(size // _BLOCK):
                file.write(pattern)
        with open(_FILE, "rb") as file:
            for _ in range(size // _BLOCK):
                octets = file.read(_BLOCK)
                wrong += sum(a != b for a, b in zip(octets, pattern)) + _BLOCK - len(octets)
    finally:
        try:
            os.remove(_FILE)
        except OSError:
            pass  # never made
    return free, wrong
