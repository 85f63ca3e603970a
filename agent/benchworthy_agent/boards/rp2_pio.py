"""The time of rise of a line by the programmable input and output block. Unproven on hardware: no interpreter that the
tests run has such a block.
"""
# ruff: noqa: F821 - the instructions of the block's own language

import time

import machine
import rp2
from micropython import const

_LOW_US = const(20)
_WAIT_MS = const(5)
_CYCLES = const(2)  # of each turn of the count


@rp2.asm_pio(set_init=rp2.PIO.IN_LOW)
def _rise():
    pull(block)
    mov(x, osr)
    set(pindirs, 1)
    label("low")
    jmp(x_dec, "low")
    mov(x, invert(null))
    set(pindirs, 0)
    label("count")
    jmp(pin, "high")
    jmp(x_dec, "count")
    label("high")
    mov(isr, invert(x))
    push(block)


def rise_ns(pin):
    """Hold `pin` low for 20 microseconds, let it go, and count until it reads high. OSError if it does not."""
    hertz = machine.freq()
    pin.init(machine.Pin.IN, None)
    block = rp2.StateMachine(0, _rise, freq=hertz, set_base=pin, jmp_pin=pin)
    block.active(1)
    try:
        block.put(hertz // 1000000 * _LOW_US)
        end = time.ticks_add(time.ticks_ms(), _WAIT_MS)
        while not block.rx_fifo():
            if time.ticks_diff(end, time.ticks_ms()) <= 0:
                raise OSError("the line does not rise")
        return block.get() * _CYCLES * 1000 // (hertz // 1000000)
    finally:
        block.active(0)
        rp2.PIO(0).remove_program(_rise)  # this file may be brought in anew, with a program of its own
        pin.init(machine.Pin.IN, None)
