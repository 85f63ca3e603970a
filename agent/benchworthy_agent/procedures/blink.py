"""Lights a lamp so often that a person can count; it has no steps, the person answers."""

_ON_MS = 300
_OFF_MS = 300


def run(hw, clock, args):
    """args: port, count."""
    try:
        for _ in range(args["count"]):
            hw.out(args["port"], 1)
            clock.sleep_ms(_ON_MS)
            hw.out(args["port"], 0)
            clock.sleep_ms(_OFF_MS)
        return []
    finally:
        hw.rest()
        # A level read comes back only when everything written before has taken effect.
        hw.level(args["port"])
