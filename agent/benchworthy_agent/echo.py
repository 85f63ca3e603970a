"""How reliably and how fast the broker acknowledges a board."""

import binascii
import time

from benchworthy_agent.link import LinkError, mqtt

_ANSWER_S = 2
_IN_VAIN = 5  # so many lost one after the other, and the rest is not waited for


def echoes(serial, access, heartbeat, n):
    """The steps of radio_echo: how many of n messages of QoS 1 were not acknowledged; round trips in microseconds.

    The messages say that the board is there, as it says anyway.
    """
    link = _client(serial, access)
    topic = "benchworthy/v1/%s/%s/state" % (access["site"], serial)
    count = total = squares = greatest = in_vain = 0
    least = None
    for sent in range(n):
        if sent % 10 == 0 or in_vain:
            heartbeat()
        try:
            if not link.is_open():
                link.connect()
            start = time.ticks_us()
            link.publish(topic, "online")
        except LinkError:
            link.unacked = {}
            in_vain += 1
            if in_vain == _IN_VAIN:
                break
            continue
        us = time.ticks_diff(time.ticks_us(), start)
        count, total, squares, in_vain = count + 1, total + us, squares + us * us, 0
        least, greatest = us if least is None else min(least, us), max(greatest, us)
    link.disconnect()
    lost = n - count
    times = [count, total, squares, least, greatest] if count else [1, 0, 0, 0, 0]
    return [[1, lost, lost * lost, lost, lost], times]


def _client(serial, access):
    ca = binascii.a2b_base64(access["tls"]["ca"]) if access.get("tls") else None
    host, port, user, password = [access[name] for name in ("host", "port", "user", "password")]
    return mqtt.Client(serial, host, port, user, password, 30, _ANSWER_S, None, ca)
