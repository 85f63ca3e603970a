"""A board's topics on one connection to its broker: reports and state out, receipts and requests in."""

import binascii

from benchworthy_agent.link import mqtt
from benchworthy_agent.link.connection import LinkError

RECEIPT_MS = 10000
NO_RECEIPT = "no receipt (the broker acknowledged; its access list may have dropped the report)"
_BEAT_MS = 1000


class Post:
    """`access` is {site, host, port, user, password} and perhaps tls: {"ca": DER in base64}.

    `on_receipt(text)` and `on_request(text)` get what arrives, during any wait; what is for one that is None stays with
    the broker. Who waits for them uses `client`. All that goes wrong is a LinkError.
    """

    def __init__(self, access, serial, on_receipt, on_request=None, timeout_s=10):
        self._leaf = "benchworthy/v1/%s/%s/" % (access["site"], serial)
        self._hear = {"receipt": on_receipt, "request": on_request}
        given = [access[name] for name in ("host", "port", "user", "password")]
        tls = access.get("tls")
        ca = binascii.a2b_base64(tls["ca"]) if tls else None
        self.client = mqtt.Client(serial, *given, timeout_s=timeout_s, will=(self._leaf + "state", "offline"), tls=ca)
        self.client.on_message = self._take

    def open(self, state="online"):
        """Connect, say that the board is there, and ask for what is for it."""
        self.client.connect()
        for name in sorted(self._hear):
            if self._hear[name] is not None:
                self.client.subscribe(self._leaf + name)
        self.say(state)

    def say(self, state):
        """Make `state` the board's retained state."""
        self.client.publish(self._leaf + "state", state, retain=True)

    def send(self, token, is_settled, beat=None, ms=RECEIPT_MS):
        """Publish a report and wait until `is_settled()`, which its receipt should bring about; whether it did.

        The broker's own acknowledgement does not count: it acknowledges what its access list makes it drop.
        """
        self.client.publish(self._leaf + "report", token)
        while not is_settled() and ms > 0:
            self.client.wait(is_settled, min(ms, _BEAT_MS))
            ms -= _BEAT_MS
            if beat is not None:
                beat()
        return is_settled()

    def close(self):
        """Say that the board leaves, and leave. Never raises and never waits for an answer."""
        try:
            self.client.publish(self._leaf + "state", "offline", qos=0, retain=True)
        except LinkError:
            pass
        self.client.disconnect()

    def _take(self, topic, payload):
        take = self._hear.get(topic[len(self._leaf) :])
        if take is None:
            # The session is older than this connection: a request may come while a bench sends a report.
            return False
        take(payload)
        return True
