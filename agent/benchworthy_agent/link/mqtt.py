"""A small MQTT 3.1.1 client (OASIS standard of 2014) whose every wait ends.

It waits by select.poll alone, so that time may be virtual; it sends each packet at once, because small writes
meet the peer's delayed acknowledgement; and it leaves a socket's timeout as it was set.
"""

import select
import socket
import struct
import time

from benchworthy_agent.link import LinkError

MAX_PACKET = 4096  # bytes of an incoming packet; a receipt has about 200
MAX_INBOX = 16
_CHUNK = 512
_IPPROTO_TCP = 6
_TCP_NODELAY = 1
_CONNACK, _PUBLISH, _PUBACK, _SUBACK, _PINGRESP = 2, 3, 4, 9, 13
_DUP = 0x08
_REFUSALS = {
    1: "protocol version not accepted",
    2: "client id not accepted",
    3: "broker not available",
    4: "wrong user name or password",
    5: "not authorized (user name or password)",
}


class Client:
    """One connection at a time to one broker; all that goes wrong is a LinkError.

    `timeout_s` bounds each operation, `will` is (topic, payload), retained, QoS 1. What arrives is handed to
    `on_message(topic, payload)` during any wait, or kept in `inbox`, a list of such pairs, if there is none.
    """

    def __init__(
        self, client_id, host, port=1883, user=None, password=None, keepalive=30, timeout_s=10, will=None
    ):
        self.client_id = client_id
        self.host, self.port = host, port
        self.user, self.password = user, password
        self.keepalive = keepalive
        self.timeout_ms = int(timeout_s * 1000)
        self.will = will
        self.on_message = None
        self.inbox = []
        self.unacked = {}  # packet identifier: the whole PUBLISH packet, until its PUBACK
        self._pid = 0
        self._sock = self._poll = None
        self._delivering = False
        self._forget_connection()

    def connect(self, clean=False):
        """Open the connection; True if the broker kept the session, which is then sent what it missed."""
        self.close()
        self._open_socket()
        self._send(self._connect_packet(clean))
        if not self._pump(lambda: self._connack is not None, self.timeout_ms):
            self._fail("no answer to CONNECT")
        present, code = self._connack
        if code != 0:
            self._fail("refused: " + _REFUSALS.get(code, "code %d" % code))
        if not present:
            # A new session knows no old identifiers; the caller still holds its report and publishes it anew.
            self.unacked = {}
        self._resend()
        return present

    def publish(self, topic, payload, qos=1, retain=False):
        """Send a message; with QoS 1 come back when the broker has acknowledged it.

        After a LinkError the message stays in `unacked` and goes out again, marked DUP, when connect() finds
        the same session. An acknowledgement is no receipt: a broker gives it for dropped messages too.
        """
        if qos not in (0, 1):
            raise ValueError("QoS is 0 or 1")
        self._pump(None, 0)  # a connection that has ended shows here, not in a lost write
        octets = payload.encode() if isinstance(payload, str) else payload
        pid = self._next_pid() if qos else 0
        number = struct.pack("!H", pid) if qos else b""
        packet = _packet(0x30 | (qos << 1) | int(retain), _text(topic), number, octets)
        if qos:
            self.unacked[pid] = packet
        self._send(packet)
        if qos and not self._pump(lambda: pid not in self.unacked, self.timeout_ms):
            self._fail("no PUBACK")

    def subscribe(self, topic, qos=1):
        """Ask for a topic's messages. A broker may grant this and still withhold them by its access list."""
        pid = self._next_pid()
        self._suback = None
        self._send(_packet(0x82, struct.pack("!H", pid), _text(topic), bytes((qos,))))
        if not self._pump(lambda: self._suback is not None and self._suback[0] == pid, self.timeout_ms):
            self._fail("no SUBACK")
        if self._suback[1] > 2:
            raise LinkError("subscription refused: " + topic)

    def wait(self, until, ms=None):
        """Receive for `until` milliseconds, or until the callable `until` gives true, at most `ms`.

        Pings when due. True if the callable did. A callback may publish: what arrives meanwhile has to queue.
        """
        if callable(until):
            return self._pump(until, self.timeout_ms if ms is None else ms)
        self._pump(None, until)
        return False

    def disconnect(self):
        """Take leave, so that the last will is not sent. Never raises."""
        if self._sock is not None:
            try:
                self._send(b"\xe0\x00")
            except LinkError:
                pass
        self.close()

    def close(self):
        """Drop the connection without a word: the broker will send the last will."""
        if self._sock is not None:
            try:
                self._sock.close()
            except OSError:
                pass
        self._sock = self._poll = None
        self._forget_connection()

    # -- sending

    def _open_socket(self):
        try:
            address = socket.getaddrinfo(self.host, self.port, 0, socket.SOCK_STREAM)[0][-1]
        except (OSError, IndexError):
            raise LinkError("unknown host: %s" % self.host)
        try:
            self._sock = socket.socket()
            self._sock.settimeout(self.timeout_ms / 1000)
            self._sock.connect(address)
        except OSError as error:
            self._fail("cannot connect to %s:%d (%s)" % (self.host, self.port, error))
        try:
            self._sock.setsockopt(_IPPROTO_TCP, _TCP_NODELAY, 1)
        except (OSError, AttributeError):
            pass  # some ports lack the option; one send per packet is enough then
        self._poll = select.poll()
        self._poll.register(self._sock, select.POLLIN)

    def _connect_packet(self, clean):
        flags = 0x02 if clean else 0
        tail = _text(self.client_id)
        if self.will:
            flags |= 0x04 | 0x08 | 0x20  # will, QoS 1, retained
            tail += _text(self.will[0]) + _text(self.will[1])
        if self.user is not None:
            flags |= 0x80
            tail += _text(self.user)
            if self.password is not None:
                flags |= 0x40
                tail += _text(self.password)
        return _packet(0x10, _text("MQTT"), struct.pack("!BBH", 4, flags, self.keepalive), tail)

    def _send(self, packet):
        if self._sock is None:
            raise LinkError("not connected")
        rest = memoryview(packet)
        deadline = time.ticks_add(time.ticks_ms(), self.timeout_ms)
        try:
            while len(rest):
                self._poll.modify(self._sock, select.POLLOUT)
                left = time.ticks_diff(deadline, time.ticks_ms())
                if left <= 0 or not self._poll.poll(left):
                    self._fail("cannot send: the broker does not read")
                rest = rest[self._sock.send(rest) :]
            self._poll.modify(self._sock, select.POLLIN)
        except LinkError:
            raise
        except OSError as error:
            self._fail("connection lost while sending (%s)" % error)
        self._last_sent = time.ticks_ms()

    def _resend(self):
        for pid in sorted(self.unacked):
            packet = self.unacked[pid]
            packet[0] |= _DUP
            self._send(packet)
        if not self._pump(lambda: not self.unacked, self.timeout_ms):
            self._fail("no PUBACK for what was sent again")

    def _next_pid(self):
        # 0 is no identifier, and one still in use would acknowledge the wrong message.
        self._pid = self._pid % 65535 + 1
        while self._pid in self.unacked:
            self._pid = self._pid % 65535 + 1
        return self._pid

    # -- receiving

    def _pump(self, done, ms):
        """Handle what arrives until done() or `ms` are over; True if done()."""
        if self._sock is None:
            raise LinkError("not connected")
        deadline = time.ticks_add(time.ticks_ms(), ms)
        pause = 0
        while True:
            # One piece per turn: a broker that never stops sending does not hold us beyond the deadline.
            if self._poll.poll(pause):
                self._receive()
            self._deliver()
            if self._sock is None:
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
        if not self.keepalive or self._connack is None:
            return self.timeout_ms
        now = time.ticks_ms()
        if self._pinged is not None:
            left = self.timeout_ms - time.ticks_diff(now, self._pinged)
            # A busy board looks late, and virtual time may jump: the answer gets one real second to be seen.
            if left <= 0 and not self._poll.poll(1000):
                self._fail("no answer to a ping")
            return max(left, 0)
        left = self.keepalive * 750 - time.ticks_diff(now, self._last_sent)  # at three quarters
        if left > 0:
            return left
        self._send(b"\xc0\x00")
        self._pinged = now
        return self.timeout_ms

    def _receive(self):
        try:
            chunk = self._sock.recv(_CHUNK)
        except OSError as error:
            self._fail("connection lost (%s)" % error)
        if not chunk:
            self._fail("connection closed by the broker")
        self._rx += chunk
        while self._sock is not None:
            size = _packet_size(self._rx)
            if size is None:
                return
            if size < 0 or size > MAX_PACKET:
                self._fail("malformed packet" if size < 0 else "packet of %d bytes refused" % size)
            if len(self._rx) < size:
                return
            packet = self._rx[:size]
            self._rx = self._rx[size:]
            try:
                self._handle(packet)
            except LinkError:
                raise
            except (IndexError, ValueError):
                self._fail("malformed packet")

    def _handle(self, packet):
        kind = packet[0] >> 4
        start = 2
        while packet[start - 1] & 0x80:
            start += 1
        body = packet[start:]
        if kind == _PUBLISH:
            self._take_message(packet[0], body)
        elif kind == _PUBACK:
            self.unacked.pop(_number(body, 0), None)
        elif kind == _CONNACK and len(body) == 2:
            self._connack = (body[0] & 1 == 1, body[1])
        elif kind == _SUBACK:
            self._suback = (_number(body, 0), body[2])
        elif kind == _PINGRESP:
            self._pinged = None
        else:
            self._fail("unexpected packet of type %d" % kind)

    def _take_message(self, first, body):
        qos = (first >> 1) & 3
        if qos > 1:
            self._fail("QoS 2 was not asked for")
        end = 2 + _number(body, 0)
        if len(body) < end + 2 * qos:
            raise ValueError
        if len(self.inbox) >= MAX_INBOX:
            return  # not acknowledged: the broker keeps it and sends it again to the next connection
        self.inbox.append((str(bytes(body[2:end]), "utf-8"), bytes(body[end + 2 * qos :])))
        if qos:
            self._send(b"\x40\x02" + bytes(body[end : end + 2]))

    def _deliver(self):
        if self.on_message is None or self._delivering:
            return
        self._delivering = True
        try:
            while self.inbox:
                topic, payload = self.inbox.pop(0)
                self.on_message(topic, payload)
        finally:
            self._delivering = False

    # -- ending

    def _forget_connection(self):
        self._rx = b""
        self._connack = self._suback = self._pinged = None
        self._last_sent = time.ticks_ms()

    def _fail(self, text):
        self.close()
        raise LinkError(text)


def _text(text):
    octets = text.encode() if isinstance(text, str) else bytes(text)
    return struct.pack("!H", len(octets)) + octets


def _packet(first, *parts):
    packet = bytearray((first,))
    length = sum([len(part) for part in parts])
    while True:
        low = length & 0x7F
        length >>= 7
        packet.append(low | 0x80 if length else low)
        if not length:
            break
    for part in parts:
        packet.extend(part)
    return packet


def _packet_size(octets):
    """Bytes of the packet at the start of `octets`; None if it is too early to say, -1 if malformed."""
    length = 0
    for place in range(1, 5):
        if len(octets) <= place:
            return None
        length |= (octets[place] & 0x7F) << (7 * (place - 1))
        if not octets[place] & 0x80:
            return length + 1 + place
    return -1


def _number(octets, at):
    return octets[at] << 8 | octets[at + 1]
