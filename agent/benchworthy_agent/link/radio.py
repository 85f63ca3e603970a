"""The radio of a module that has one. The only file of the links that knows `network`."""

import select
import time

from benchworthy_agent.link import LinkError

JOIN_MS = 20000
_LOOK_MS = 100


def join(wifi, ms=JOIN_MS):
    """Join the network of `wifi`, {"ssid", "password"}; the station. LinkError when there is no radio, or in vain."""
    station = _station()
    try:
        station.active(True)
        if not station.isconnected():
            station.connect(wifi["ssid"], wifi["password"])
        pause = select.poll()  # of nothing: time may be virtual
        start = time.ticks_ms()
        while not station.isconnected():
            if time.ticks_diff(time.ticks_ms(), start) >= ms:
                raise LinkError("the radio did not join its network (status %s)" % station.status())
            pause.poll(_LOOK_MS)
    except LinkError:
        raise
    except (OSError, RuntimeError) as error:
        raise LinkError("radio: %s" % error)
    return station


def off():
    """Switch the radio off, so that the next join begins from nothing. Never raises."""
    try:
        station = _station()
        station.disconnect()
        station.active(False)
    except (OSError, RuntimeError):
        pass


def _station():
    try:
        import network
    except ImportError:
        raise LinkError("no radio on this module")
    return network.WLAN(network.STA_IF)
