"""Motor pulses: each ends by itself, and none outlives the bench by more than half a second."""

import select
import sys

from benchworthy_agent.boards import Silent

PULSE_MS = 300
RIG_MS = 2000
_ANSWER_MS = 500
_RENEW_MS = 100


def ask(clock):
    """Have the bench send back a number. Raises Silent when it does not within 500 ms of the board's time."""
    # The time is a number that no earlier question had; what such a one left behind is read over.
    number = b"%d" % (clock.ticks_ms() & 0x3FFFFFFF)
    end = clock.ticks_add(clock.ticks_ms(), _ANSWER_MS)
    poll = select.poll()
    poll.register(sys.stdin, select.POLLIN)
    print("=DM=", number.decode())
    line = b""
    while True:
        left = clock.ticks_diff(end, clock.ticks_ms())
        if left <= 0 or not poll.poll(left):
            raise Silent("bench fell silent")
        octet = sys.stdin.buffer.read(1)
        if not octet:
            raise Silent("bench hung up")
        if octet not in b"\r\n":
            line = (line + octet)[-12:]
        elif line == number:
            return
        else:
            line = b""


class Pulse:
    """While this context lasts the enables `ports` may be high: at most `ms`, and while the bench answers.

    The board's timer drops them even when the program hangs. Who sleeps by `clock` keeps it alive meanwhile.
    """

    def __init__(self, hw, clock, ports, ms):
        self._hw = hw
        self._clock = clock
        self._ports = ports
        self._ms = ms

    def __enter__(self):
        self._hw.disarm()  # of a pulse that Ctrl-C broke off halfway
        self._clock.ask()
        self._hw.arm(self._ports, min(self._ms, _ANSWER_MS))
        self._start = self._answered = self._clock.ticks_ms()
        self._clock.pulse = self
        return self

    def keep(self):
        """Ask the bench again if its last answer is old. Raises Silent when none comes or the timer was faster."""
        clock = self._clock
        now = clock.ticks_ms()
        if clock.ticks_diff(now, self._answered) < _RENEW_MS:
            return
        clock.ask()
        if self._hw.dropped():
            raise Silent("bench fell silent")
        self._answered = clock.ticks_ms()
        left = self._ms - clock.ticks_diff(self._answered, self._start)
        if left > 0:
            self._hw.arm(self._ports, min(left, _ANSWER_MS))

    def __exit__(self, kind, error, _):
        self._clock.pulse = None
        for port in self._ports:
            self._hw.out(port, 0)
        # Only now: until the enables are low, the timer stands behind whatever interrupts this.
        if self._hw.disarm() and kind is None:
            raise Silent("the pulse was ended by its timer")


def pulse(hw, clock, args, a, b, ms=PULSE_MS):
    """A pulse on the port args enable, a, b, whose inputs stand at a and b; the enable is still low."""
    hw.out(args["a"], a)
    hw.out(args["b"], b)
    return Pulse(hw, clock, (args["enable"],), ms)
