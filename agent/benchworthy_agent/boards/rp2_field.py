"""What only a board on its own does with its module."""

import machine


def restart():
    """Start the module anew, as after power-on."""
    machine.reset()


def set_clock(moment):
    """Set the clock to a UTC as time.gmtime() gives it."""
    year, month, day, hour, minute, second, weekday, _ = moment
    machine.RTC().datetime((year, month, day, weekday, hour, minute, second, 0))
