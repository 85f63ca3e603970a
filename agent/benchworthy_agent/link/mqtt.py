"""A small MQTT 3.1.1 client whose every wait ends and whose every fault is a LinkError."""

# The largest file first, and its parts through it: compiling it needs the most memory.
from benchworthy_agent.link.connection import Connection, LinkError, packets

_DUP = 0x08
_REFUSALS = {3: "broker not available", 4: "wrong user name or password", 5: "not authorized (user name or password)"}


class Client(Connection):
    """One connection at a time to one broker.

    `timeout_s` bounds each operation, `will` is (topic, payload), retained, QoS 1; `tls` is the DER of the
    authority that signed the broker's certificate. What arrives is handed to `on_message(topic, payload)` during
    any wait and acknowledged after it came back with something else than False.
    """

    def __init__(self, client_id, host, port=1883, user=None, password=None, keepalive=30, timeout_s=10, will=None, tls=None):
        super().__init__(keepalive, int(timeout_s * 1000))
        self._where = host, port, tls
        self._who = client_id, user, password, will
        self._pid = 0

    def connect(self, clean=False):
        """Open the connection; True if the broker kept the session, which is then sent what it missed."""
        self.open(*self._where)
        client_id, user, password, will = self._who
        self.send(self.do(packets.connect, client_id, self.keepalive, clean, user, password, will))
        if not self.pump(lambda: self.connack is not None, self.timeout_ms):
            self.fail("no answer to CONNECT")
        present, code = self.connack
        if code != 0:
            self.fail("refused: " + _REFUSALS.get(code, "code %d" % code))
        if not present:
            # A new session knows no old identifiers; the caller still holds its report and publishes it anew.
            self.unacked = {}
        for pid in sorted(self.unacked):
            header, payload = self.unacked[pid]
            header[0] |= _DUP
            self.send(header, payload)
        if not self.pump(lambda: not self.unacked, self.timeout_ms):
            self.fail("no PUBACK for what was sent again")
        return present

    def publish(self, topic, payload, qos=1, retain=False):
        """Send a message; with QoS 1 come back when the broker has acknowledged it.

        After a LinkError the message stays in `unacked` and goes out again, marked DUP, when connect() finds
        the same session. An acknowledgement is no receipt: a broker gives it for dropped messages too.
        """
        if qos not in (0, 1):
            raise ValueError("QoS is 0 or 1")
        self.pump(None, 0)  # a connection that has ended shows here, not in a lost write
        octets = payload.encode() if isinstance(payload, str) else payload
        pid = self._next_pid() if qos else 0
        header = self.do(packets.publish, topic, len(octets), qos, retain, pid)
        if qos:
            self.unacked[pid] = (header, octets)
        self.send(header, octets)
        if qos and not self.pump(lambda: pid not in self.unacked, self.timeout_ms):
            self.fail("no PUBACK")

    def subscribe(self, topic, qos=1):
        """Ask for a topic's messages. A broker may grant this and still withhold them by its access list."""
        pid = self._next_pid()
        self.suback = None
        self.send(self.do(packets.subscribe, topic, qos, pid))
        if not self.pump(lambda: self.suback is not None and self.suback[0] == pid, self.timeout_ms):
            self.fail("no SUBACK")
        if self.suback[1] > 2:
            raise LinkError("subscription refused: " + topic)

    def wait(self, until, ms=None):
        """Receive for `until` milliseconds, or until the callable `until` gives true, at most `ms`.

        Pings when due. True if the callable did. A callback may publish: what arrives meanwhile has to queue.
        """
        if callable(until):
            return self.pump(until, self.timeout_ms if ms is None else ms)
        return self.pump(None, until)

    def disconnect(self):
        """Take leave, so that the last will is not sent. Never raises."""
        try:
            self.send(b"\xe0\x00")
        except LinkError:
            pass  # not connected any more
        self.close()

    def _next_pid(self):
        # 0 is no identifier, and one still in use would acknowledge the wrong message.
        self._pid = self._pid % 65535 + 1
        while self._pid in self.unacked:
            self._pid = self._pid % 65535 + 1
        return self._pid
