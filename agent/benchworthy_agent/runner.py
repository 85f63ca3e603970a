"""Carries out one test of a plan; what goes wrong in it is its reading, and never loses the others."""

from benchworthy_agent import modules, procedures
from benchworthy_agent.boards import NotHere, Silent

_BEAT_MS = 1000
_PULSE_SLICE_MS = 50
_MAX_TEXT = 64
# What procedures and the board bring into memory.
USED = ("procedures.", "boards.rp2_", "drive", "echo", "link", "state")


class Clock:
    """The time as procedures get it: it sleeps in slices, calls `heartbeat()` about once a second meanwhile, and keeps
    the motor pulse in hand alive.

    `clock` is the module `time`; `watched` says that a bench watches: else nothing may be driven.
    """

    def __init__(self, clock, heartbeat, watched=False):
        self._clock = clock
        self._heartbeat = heartbeat
        self._watched = watched
        self._last = clock.ticks_ms()
        self.ticks_ms, self.ticks_add, self.ticks_diff = clock.ticks_ms, clock.ticks_add, clock.ticks_diff
        self.sleep_us = clock.sleep_us
        self.pulse = None

    def sleep_ms(self, ms):
        end = self.ticks_add(self.ticks_ms(), ms)
        while True:
            left = self.ticks_diff(end, self.ticks_ms())
            if left <= 0:
                return
            self._clock.sleep_ms(min(left, _BEAT_MS if self.pulse is None else _PULSE_SLICE_MS))
            if self.ticks_diff(self.ticks_ms(), self._last) >= _BEAT_MS:
                self.beat()
            if self.pulse is not None:
                self.pulse.keep()

    def beat(self):
        self._last = self.ticks_ms()
        self._heartbeat()

    def ask(self):
        """Have the bench say that it is there. Raises NotHere without one, Silent when it does not answer."""
        if not self._watched:
            raise NotHere("no bench watches")
        modules.load("drive").ask(self._clock)


def carry_out(hw, clock, line, absent=()):
    """The reading of one plan line {"id", "p": procedure, "n": needs, "a": parameters}: its kind and content.

    `hw` is a board of boards/, `clock` a Clock; a need that is `absent` makes the test not run.
    """
    for need in line.get("n", ()):
        if need in absent:
            return "not_run", "no " + need
    clock.beat()
    try:
        return "steps", show(hw, clock, line)
    except NotHere as error:
        return "not_run", str(error)[:_MAX_TEXT]
    except Silent as error:
        return "error", str(error)
    except Exception as error:
        # Whatever a check raises (a port that is not there, a converter that is busy, too little memory) is reported
        # in its own place; the rest of the part is still worth having.
        return "error", ("%s: %s" % (type(error).__name__, error))[:_MAX_TEXT]


def show(hw, clock, line):
    """Run the procedure {"p", "a"}; its steps."""
    return _procedure(line["p"])(hw, clock, line["a"])


def forget():
    """Let go of the procedures in hand and of what they used."""
    modules.drop(*USED)


_loaded = None


def _procedure(name):
    global _loaded
    for line in procedures.FILES:
        file, *names = line.split()
        if name in names:
            if file != _loaded:
                forget()
                _loaded = file
            return getattr(modules.load("procedures." + file), name)
    raise ValueError("unknown procedure " + name)
