"""A board on its own, away from a bench: it keeps a connection, answers requests, and delivers what waits in its spool.

It waits by poll alone. There is no watchdog: one that was armed cannot be stopped on these modules, and would end the
bench's session after Ctrl-C. Instead the radio and then the whole module are started anew when nothing goes through.
"""

import binascii
import gc
import hashlib
import json
import select
import socket

from benchworthy_agent import sign
from benchworthy_agent.link import post

RADIO_AFTER = 4  # failures in a row
RESET_AFTER = 12
_LONGEST_PAUSE = 300  # in units of the first pause
_MINUTE_MS = 60000
_RETRY_MINUTES = 5  # a report without a receipt goes out again after so long


class Field:
    """Serves until it is interrupted.

    `kept` is the board's state, `access` the MQTT access, `hands` does what needs hardware: connect(), radio_off(),
    reset(), rest(), find(beat), and self_test(plan_text, beat, keep), which hands each signed report to keep(token).
    """

    def __init__(self, kept, access, spool, hands, pause_ms=1000, receipt_ms=post.RECEIPT_MS):
        self._kept, self._spool, self._hands = kept, spool, hands
        self._key = binascii.unhexlify(kept.key)
        self._pause_ms, self._receipt_ms = pause_ms, receipt_ms
        self._failures = 0
        self._last = 0  # the highest request that was taken
        self._trouble = ""  # of the last self-test
        self._unanswered = self._lost = 0
        self._said = ""
        self._fresh = False
        self._post = post.Post(access, kept.serial, spool.receive, self._request)

    def run(self):
        """Connect and serve, again and again. Ends by an exception only, KeyboardInterrupt among them."""
        while True:
            try:
                self._serve()
            except Exception as error:
                # The outermost loop: whatever broke this connection, the next one may hold.
                print("field:", type(error).__name__, error)
            self._failures += 1
            if self._failures % RADIO_AFTER == 0:
                self._hands.radio_off()
            if self._failures >= RESET_AFTER:
                self._hands.reset()
            pause(min(2 ** (self._failures - 1), _LONGEST_PAUSE) * self._pause_ms + self._own_delay())

    def _serve(self):
        """One connection, from birth to its end."""
        try:
            self._hands.connect()
            # Requests arrive during any of these waits: what is said and what is fresh is noted before.
            self._said = self._state()
            self._post.open(self._said)
            self._lost += self._spool.forget_damaged()
            while True:
                self._fresh = False
                self._unanswered = self._spool.deliver(self._send)
                self._tell()
                self._rest_of_the_time()
        finally:
            # First the outputs: a second Ctrl-C may end this too.
            self._hands.rest()
            self._post.close()

    def _rest_of_the_time(self):
        for _ in range(_RETRY_MINUTES):
            if self._post.client.wait(lambda: self._fresh, _MINUTE_MS):
                return
            # A minute of peace counts as success; a connection that only just came about does not: two boards
            # of one name throw each other out for ever.
            self._failures = 0

    def _send(self, token, is_settled):
        if not self._post.send(token, is_settled, ms=self._receipt_ms):
            print("field:", post.NO_RECEIPT)

    def _tell(self):
        state = self._state()
        if state != self._said:
            self._post.say(state)
            self._said = state

    def _state(self):
        """What the state topic says, in the order of what matters."""
        words = ["online"]
        if self._spool.full():
            words.append("spool full")
        if self._kept.flag == "not saved":
            words.append("boot counter not saved")
        lost = self._lost + len(self._spool.damaged)
        if lost:
            words.append("%d lost, damaged or signed under an earlier key" % lost)
        if self._unanswered:
            words.append("%d without a receipt" % self._unanswered)
        if self._trouble:
            words.append(self._trouble)
        return "; ".join(words)

    def _own_delay(self):
        # Boards of one class set lose the same broker at the same moment; they need not all come back at once.
        return binascii.crc32(self._kept.serial.encode()) % self._pause_ms

    # -- requests

    def _request(self, text):
        """Do what a right request asks. It is acknowledged to the broker after this, so a power cut repeats it."""
        asked = _read(text, self._key)
        if asked is None or asked["n"] <= self._last:
            return
        self._last = asked["n"]
        gc.collect()
        try:
            self._trouble = self._done(asked["do"], asked["plan"])
        except Exception as error:
            # Whatever a request breaks, the board goes on listening, and says it.
            self._trouble = ("%s: %s %s" % (asked["do"], type(error).__name__, error))[:100]
        finally:
            self._hands.rest()
        self._fresh = True

    def _done(self, do, plan_text):
        """Do it; "" or why it was not done."""
        if do == "find":
            self._hands.find(self._tick)
        elif do != "self-test":
            return "unknown request"
        elif self._kept.flag == "not saved":
            return "no self-test"  # its counters might be those of another report
        elif not self._spool.full():  # if it is, the state says so
            self._hands.self_test(plan_text, self._tick, self._keep)
        return ""

    def _tick(self):
        """Keep the connection alive during long work; a lost one is told afterwards, as the work goes on."""
        try:
            self._post.client.wait(0)
        except OSError:
            pass

    def _keep(self, token):
        if not self._spool.put(token):
            raise OSError("no room for a report")


def pause(ms):
    """Let `ms` milliseconds pass; in real time also where time is virtual, as a broker's troubles are real."""
    poll = select.poll()
    idle = None
    try:
        # Nothing is ever sent to it.
        idle = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        poll.register(idle, select.POLLIN)
    except OSError:
        pass
    try:
        poll.poll(ms)
    finally:
        if idle is not None:
            idle.close()


def _read(text, key):
    """The request if it has the right form and its mac is right for `key`, or None."""
    try:
        asked = json.loads(text)
        plan = asked["plan"] or ""
        message = "benchworthy-request\n%d\n%s\n%s" % (asked["n"], asked["do"], _sha256(plan))
        expected = binascii.hexlify(sign.hmac_sha256(key, message.encode()))
        right = asked["v"] == 1 and type(asked["n"]) is int and sign.equal(expected, asked["mac"].encode())
    except (ValueError, TypeError, KeyError, IndexError, AttributeError, MemoryError, RuntimeError):
        return None
    return asked if right else None


def _sha256(text):
    return binascii.hexlify(hashlib.sha256(text.encode()).digest()).decode()
