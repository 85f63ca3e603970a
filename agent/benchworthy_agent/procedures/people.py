"""What a person sees, hears or does. A procedure without steps is answered by the person."""

_ON_MS = 300
_OFF_MS = 300
_DARK_MS = 600
_CHIRP = [(hertz, 20) for hertz in range(800, 2000, 200)]
# Notes of hertz (0 is silence) and milliseconds, each pattern within a second: the sounder is close to the ear.
PATTERNS = {
    "rising": (_CHIRP + [(0, 80)]) * 5,  # noqa: RUF005 - MicroPython knows no star inside a list
    "long-long": ((400, 400), (0, 150), (400, 400)),
    "dot-dash-dot": ((2000, 120), (0, 80), (2000, 360), (0, 80), (2000, 120)),
}


def blink(hw, clock, args):
    """args: port, count. Lights a lamp so often that a person can count."""
    try:
        for _ in range(args["count"]):
            hw.out(args["port"], 1)
            clock.sleep_ms(_ON_MS)
            hw.out(args["port"], 0)
            clock.sleep_ms(_OFF_MS)
        return []
    finally:
        _end(hw, args["port"])


def tone(hw, clock, args):
    """args: port, pattern ("rising": five rising chirps, "long-long": 400 Hz, "dot-dash-dot": 2 kHz)."""
    try:
        _play(hw, clock, args["port"], PATTERNS[args["pattern"]])
        return []
    finally:
        _end(hw, args["port"])


def find(hw, clock, args):
    """args: lamp, sounder (ports), ms in all. Makes a board seen and heard; it ends by itself and touches no motor."""
    end = clock.ticks_add(clock.ticks_ms(), args["ms"])
    try:
        while clock.ticks_diff(end, clock.ticks_ms()) > 0:
            hw.out(args["lamp"], 1)
            _play(hw, clock, args["sounder"], PATTERNS["rising"])
            hw.out(args["lamp"], 0)
            clock.sleep_ms(_DARK_MS)
        return []
    finally:
        _end(hw, args["lamp"])


def presses(hw, clock, args):
    """args: port, lamp, count, ms at most. Lights the lamp and watches a key being pressed.

    Steps: bounce of each press in microseconds (one 0 if none), presses.
    """
    try:
        hw.out(args["lamp"], 1)
        bounce, count = hw.presses(clock, args["port"], args["count"], args["ms"])
        return [bounce, [1, count, count * count, count, count]]
    finally:
        hw.rest()


def _play(hw, clock, port, notes):
    for hertz, ms in notes:
        if hertz:
            hw.duty(port, 500, hertz)
        else:
            hw.out(port, 0)
        clock.sleep_ms(ms)
    hw.out(port, 0)


def _end(hw, port):
    hw.rest()
    # A level read comes back only when everything written before has taken effect.
    hw.level(port)
