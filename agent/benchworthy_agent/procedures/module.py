"""The module itself: memory, restarts, flash, radio; and the servo pulse, which its timer measures."""

from benchworthy_agent.procedures.steps import one


def memory_free(hw, clock, args):
    """args: none. Step: free bytes after a collection."""
    return [one(hw.memory_free())]


def boots(hw, clock, args):
    """args: none. Step: the boot counter now, less what it was when the run began."""
    return [one(hw.boots())]


def flash(hw, clock, args):
    """args: bytes. Writes a file, reads it back and deletes it. Steps: free bytes before, bytes that came back different."""
    return [one(number) for number in hw.flash(args["bytes"])]


def radio_level(hw, clock, args):
    """args: n. Step: how strong the access point is received, in dBm, whole negative numbers."""
    return [hw.dbm(clock, args["n"])]


def servo(hw, clock, args):
    """args: out, loop (ports), widths_us (list), n. Steps: widths, one for each width sent, then the period; microseconds.

    Sends servo pulses out through the header and the plug, and times them where they come back.
    """
    try:
        # The plug's DAC shares the pulse's block, and with it the frequency.
        hw.rest()
        hw.pull(args["loop"], None)
        steps = [hw.widths(args["out"], args["loop"], width, args["n"]) for width in args["widths_us"]]
        steps.append(hw.period(args["loop"], args["n"]))
        return steps
    finally:
        hw.rest()
