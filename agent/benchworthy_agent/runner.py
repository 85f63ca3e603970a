"""Carries out the tests of a part one by one; a check that fails never loses the others."""

from benchworthy_agent import procedures

_BEAT_MS = 1000
_MAX_TEXT = 64


class Clock:
    """The time as procedures get it: it sleeps in slices and calls `heartbeat()` about once a second meanwhile."""

    def __init__(self, clock, heartbeat):
        self._clock = clock
        self._heartbeat = heartbeat
        self._last = clock.ticks_ms()

    def ticks_ms(self):
        return self._clock.ticks_ms()

    def sleep_us(self, us):
        self._clock.sleep_us(us)

    def sleep_ms(self, ms):
        while ms > 0:
            slice_ms = min(ms, _BEAT_MS)
            self._clock.sleep_ms(slice_ms)
            ms -= slice_ms
            self.beat_if_due()

    def beat_if_due(self):
        if self._clock.ticks_diff(self._clock.ticks_ms(), self._last) >= _BEAT_MS:
            self.beat()

    def beat(self):
        self._last = self._clock.ticks_ms()
        self._heartbeat()


def run_tests(hw, clock, tests, heartbeat):
    """The readings (list of dicts) of `tests`, a list of {"id", "p": procedure, "a": parameters}.

    `hw` is a board of boards/, `clock` the module `time`; `heartbeat()` is called between checks and during long ones.
    """
    clock = Clock(clock, heartbeat)
    readings = []
    for test in tests:
        clock.beat()
        readings.append(_reading(hw, clock, test))
    clock.beat()
    return readings


def _reading(hw, clock, test):
    try:
        steps = _procedure(test["p"]).run(hw, clock, test["a"])
    except Exception as error:
        # Whatever a check raises (a port that is not there, a converter that is busy, too little memory) is reported
        # in its own place; the rest of the part is still worth having.
        text = "%s: %s" % (type(error).__name__, error)
        return {"test": test["id"], "error": text[:_MAX_TEXT]}
    return {"test": test["id"], "steps": steps}


def _procedure(name):
    if name not in procedures.NAMES:
        raise ValueError("unknown procedure " + name)
    # Imported when first used: a board with little memory carries only what its plan needs.
    return __import__("benchworthy_agent.procedures." + name, None, None, (name,))
