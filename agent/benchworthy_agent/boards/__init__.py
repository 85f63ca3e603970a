"""One file per family of modules; only these touch the hardware."""

# What has to be known before any plan came, of the one design that the agent drives: the motor enables, which go low
# first at every start, and what `find` lights and sounds.
ENABLES = (12, 15)
FINDING = {"lamp": [7, "out", 0], "sounder": [5, "out", 0]}


class NotHere(Exception):
    """What a test asks for does not exist or may not be used here: the test is not run, and the text is the reason."""


class Silent(Exception):
    """A motor pulse was cut short because the bench did not answer in time."""
