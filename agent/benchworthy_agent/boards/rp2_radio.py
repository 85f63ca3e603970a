"""The radio: how well the access point is received."""

from micropython import const

from benchworthy_agent import modules
from benchworthy_agent.boards import NotHere, rp2

_GAP_MS = const(200)
_JOIN_MS = const(6000)  # no heartbeat comes meanwhile, and the bench gives up after ten silent seconds


def dbm(board, clock, n):
    """The tally of n readings of the signal at the access point, in dBm."""
    if not board.net.get("wifi"):
        raise NotHere("no wifi")
    station = _join(board.net["wifi"], clock.beat)

    def take():
        clock.sleep_ms(_GAP_MS)
        return int(station.status("rssi"))

    return rp2.tally(take, n)


def _join(wifi, heartbeat):
    """Join the network of `wifi`, with a few tries; the station. OSError in vain, NotHere without a radio."""
    radio = modules.load("link.radio")
    for left in (2, 1, 0):
        heartbeat()
        try:
            return radio.join(wifi, _JOIN_MS)
        except OSError as error:
            if "no radio" in str(error):
                raise NotHere("no radio on this module")
            if not left:
                raise
