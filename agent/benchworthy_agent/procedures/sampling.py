"""What several procedures share: the multiplexer, the converter, and the five numbers of a step."""

_SELECT = ("mux0", "mux1", "mux2")
_SETTLE_US = 20


def tally(numbers):
    """[n, sum, sum of squares, least, greatest] of whole numbers; at least one must come."""
    n = total = squares = 0
    least = greatest = None
    for number in numbers:
        n += 1
        total += number
        squares += number * number
        least = number if least is None else min(least, number)
        greatest = number if greatest is None else max(greatest, number)
    return [n, total, squares, least, greatest]


def select(hw, channel):
    """Switch the multiplexer to a channel, 0 to 7."""
    for place, port in enumerate(_SELECT):
        hw.out(port, channel >> place & 1)


def convert(hw, clock, step):
    """One step {"read", "n", optional "select"}: the tally of n conversions.

    The first conversion after a change still carries charge of the channel before, so it is thrown away.
    """
    if "select" in step:
        select(hw, step["select"])
    clock.sleep_us(_SETTLE_US)
    codes = iter(hw.codes(step["read"], step["n"] + 1))
    next(codes)
    return tally(codes)
