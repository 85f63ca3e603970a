"""Fast switching; servo pulses, and their width by the module's pulse timer."""

import time

import machine
from micropython import const

from benchworthy_agent.boards import Silent, rp2

_WAIT_US = const(50000)


def duty(board, port, permille, hertz=20000):
    """Switch a port fast, high for `permille` thousandths of the time."""
    if board.dropped():
        raise Silent("the pulse was ended by its timer")
    _block(board, port, hertz).duty_u16(65535 * permille // 1000)


def _block(board, port, hertz):
    if port not in board.pwm:
        board.pwm[port] = machine.PWM(board.pin(port))
    board.pwm[port].freq(hertz)
    return board.pwm[port]


def widths(board, out, loop, us, n):
    """Send pulses of `us` on a port, and leave them running; the tally of n widths at `loop`, 0 where none came."""
    _block(board, out, 50).duty_ns(us * 1000)
    pin = board.pin(loop)
    machine.time_pulse_us(pin, 1, _WAIT_US)  # a pulse of the width before may be under way
    return rp2.tally(lambda: max(0, machine.time_pulse_us(pin, 1, _WAIT_US)), n)


def period(board, loop, n):
    """The tally of n times from the end of a pulse to the end of the next, 0 where none came."""
    pin = board.pin(loop)

    def end():
        return time.ticks_us() if machine.time_pulse_us(pin, 1, _WAIT_US) >= 0 else None

    last = [end()]

    def take():
        before, last[0] = last[0], end()
        return 0 if before is None or last[0] is None else time.ticks_diff(last[0], before)

    return rp2.tally(take, n)
