"""What the files of procedures share: steps of one number, and conversions of a channel of the multiplexer."""

_SELECT = ("mux0", "mux1", "mux2")
_SETTLE_US = 20


def one(number):
    """The step of a single whole number."""
    return [1, number, number * number, number, number]


def select(hw, channel):
    """Switch the multiplexer to a channel, 0 to 7."""
    for place, port in enumerate(_SELECT):
        hw.out(port, channel >> place & 1)


def convert(hw, clock, step):
    """One step {"read", "n", optional "select", "every_us"}: n conversions of a port."""
    if "select" in step:
        select(hw, step["select"])
    clock.sleep_us(_SETTLE_US)
    return hw.burst(step["read"], step["n"], step.get("every_us", 0))


def channel(hw, clock, args, number):
    """Conversions of a channel of the multiplexer, by args read, n and every_us."""
    select(hw, number)
    return convert(hw, clock, {"read": args["read"], "n": args["n"], "every_us": args.get("every_us", 0)})
