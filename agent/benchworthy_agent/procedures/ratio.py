"""Gives the test plug's converter a few levels and reads what the headers make of them."""

from benchworthy_agent.procedures import sampling


def run(hw, clock, args):
    """args: dac (port), settle_ms, steps [{"duty" in thousandths, "read", "n", optional "select"}]."""
    given = None
    steps = []
    try:
        for step in args["steps"]:
            if step["duty"] != given:
                given = step["duty"]
                hw.duty(args["dac"], given)
                clock.sleep_ms(args["settle_ms"])
            steps.append(sampling.convert(hw, clock, step))
        return steps
    finally:
        hw.rest()
