"""One MQTT connection as packets go and come: keeps it alive, hands on what arrives, ends every wait."""

import time  # noqa: I001

# Not in order of names but the largest first: what is compiled later finds less memory.
from benchworthy_agent.link import LinkError, wire, packets

MAX_PACKET = 8192  # bytes of an incoming packet; a receipt has about 200, a request with its plan some thousands
MAX_WAITING = 16
_JOIN = 256  # up to so many bytes a payload is copied behind its header, to go out in one piece


class Connection:
    """What mqtt.Client stands on: after open(), send() and pump() until close().

    What arrives goes to `on_message(topic, payload)`, and is acknowledged when that came back: a power cut in the
    callback leaves it with the broker, and so does a callback that gives False.
    """

    def __init__(self, keepalive, timeout_ms):
        self.keepalive = keepalive
        self.timeout_ms = timeout_ms
        self.on_message = None
        self.unacked = {}  # packet identifier: header and payload of a PUBLISH, until its PUBACK
        self._wire = None
        self._delivering = False
        self.close()

    def open(self, host, port, ca):
        """Connect to the broker's socket, by TLS if `ca` is given."""
        self.close()
        self._wire = self.do(wire.Wire, host, port, self.timeout_ms, ca)
        self._last_sent = time.ticks_ms()

    def is_open(self):
        return self._wire is not None

    def close(self):
        """Drop the connection without a word: the broker will send the last will."""
        if self._wire is not None:
            self._wire.close()
        self._wire = None
        self._rx = b""
        self._waiting = []  # what was not acknowledged will come again
        self.connack = self.suback = self._pinged = None

    def fail(self, text):
        """End the connection with a LinkError."""
        self.close()
        raise LinkError(text)

    def do(self, action, *given):
        """One step on the wire: whatever goes wrong in it ends the connection with a LinkError."""
        try:
            return action(*given)
        except LinkError as error:
            self.close()
            raise error
        except MemoryError:
            self.fail("out of memory")
        except (IndexError, ValueError, TypeError):
            self.fail("malformed packet")
        except OSError as error:
            self.fail("connection lost (%s)" % error)

    def send(self, header, payload=b""):
        """Send a packet, the payload behind its header without a copy of it."""
        if self._wire is None:
            raise LinkError("not connected")
        if len(payload) <= _JOIN:
            header, payload = header + payload, b""
        self.do(self._wire.write, header)
        self.do(self._wire.write, payload)
        self._last_sent = time.ticks_ms()

    def pump(self, done, ms):
        """Handle what arrives until done() or `ms` are over; True if done()."""
        if self._wire is None:
            raise LinkError("not connected")
        deadline = time.ticks_add(time.ticks_ms(), ms)
        pause = 0
        while True:
            # One piece per turn: a broker that never stops sending does not hold us beyond the deadline.
            if self.do(self._wire.ready, pause):
                self.do(self._receive)
            self._deliver()
            if self._wire is None:
                raise LinkError("disconnected by the callback")
            if done is not None and done():
                return True
            pause = self._keep_alive()
            left = time.ticks_diff(deadline, time.ticks_ms())
            if left <= 0:
                return False
            pause = min(pause, left)

    def _keep_alive(self):
        """Ping when due; the milliseconds after which to look again."""
        if not self.keepalive or self.connack is None:
            return self.timeout_ms
        now = time.ticks_ms()
        if self._pinged is not None:
            left = self.timeout_ms - time.ticks_diff(now, self._pinged)
            # A busy board looks late, and virtual time may jump: the answer gets one real second to be seen.
            if left <= 0 and not self.do(self._wire.ready, 1000):
                self.fail("no answer to a ping")
            return max(left, 0)
        left = self.keepalive * 750 - time.ticks_diff(now, self._last_sent)  # at three quarters
        if left > 0:
            return left
        self.send(b"\xc0\x00")
        self._pinged = now
        return self.timeout_ms

    def _receive(self):
        self._rx += self._wire.read()
        while self._wire is not None:
            size, start = packets.measure(self._rx)
            if size > MAX_PACKET:
                raise LinkError("packet of %d bytes refused" % size)
            if size == 0 or len(self._rx) < size:
                return
            packet = self._rx[:size]
            self._rx = self._rx[size:]
            self._handle(packet[0], packet[start:])

    def _handle(self, first, body):
        kind = first >> 4
        if kind == 3:  # PUBLISH
            message = packets.message(first, body)
            # One too many is not acknowledged: the broker sends it again to the next connection.
            if len(self._waiting) < MAX_WAITING:
                self._waiting.append(message)
        elif kind == 4:  # PUBACK
            self.unacked.pop(body[0] << 8 | body[1], None)
        elif kind == 2 and len(body) == 2:  # CONNACK
            self.connack = (body[0] & 1 == 1, body[1])
        elif kind == 9:  # SUBACK
            self.suback = (body[0] << 8 | body[1], body[2])
        elif kind == 13:  # PINGRESP
            self._pinged = None
        else:
            raise LinkError("unexpected packet of type %d" % kind)

    def _deliver(self):
        """Hand on what waits, one after the other; what arrives while a callback waits itself has to queue."""
        if self.on_message is None or self._delivering:
            return
        self._delivering = True
        try:
            # Only so many: a broker that never stops sending to callbacks that wait does not hold us either.
            for _ in range(len(self._waiting)):
                if not self._waiting:
                    return  # the callback hung up
                topic, payload, pid = self._waiting.pop(0)
                taken = self.on_message(topic, payload)
                if taken is not False and pid is not None and self._wire is not None:
                    self.send(bytes((0x40, 2, pid >> 8, pid & 0xFF)))
        finally:
            self._delivering = False
