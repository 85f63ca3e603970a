"""What the bench calls over the raw REPL, one bounded call at a time, without a reset in between.

Everything of a run (context, key, tokens without a receipt) lives in memory only, in the session below. test() and
close() end with one line `=BD= {...}`; what is not known in it is null. What a call needs beside the session is brought
into memory for it, so that measuring, signing and sending never stand in memory together.
"""

import json
import time

from benchworthy_agent import modules


class _Session:
    """The run in hand, and how it speaks to the bench.

    `run` is its context, `hw` its board, `draft` the state of the report in the making, `spare` one that is not in use.
    `kept` maps a part's number (0 for a field report) to (token, key, digest, state) without a receipt.
    """

    FAULTS = (OSError, ValueError, TypeError, KeyError, IndexError, AttributeError, RuntimeError, MemoryError)

    def __init__(self):
        self.run = self.hw = self.draft = self.spare = self.phase = None
        self.kept = {}

    def heartbeat(self):
        print("=HB= %d" % time.ticks_ms())

    def done(self, fields):
        """The closing line of a call."""
        print("=BD= " + json.dumps(fields))

    def tell(self, number, digest=None, verdict=None, error=None):
        """The closing line about a part's report; `error` is text or an exception."""
        if isinstance(error, Exception):
            error = ("%s: %s" % (type(error).__name__, error))[:160]
        self.done({"part": number, "report": digest, "verdict": verdict, "error": error})


_session = _Session()


def begin(context_text):
    """Take a run's context: serial, design, plan (hash), ports, run, nonce, key, epoch, mqtt, wifi, absent; as JSON."""
    modules.collect_often_if_short()
    if _session.draft is None and _session.spare is None:
        # The report's buffer, see report.py, taken first of all: later the heap is in pieces.
        _session.spare = [bytearray(4228), 0, b"", 0]
    _call("measure", "begin", context_text)


def test(line_text):
    """Carry out one line of the plan, and keep its reading for the part in hand."""
    # The echo alone needs the links, which find no room beside what measures.
    _call("echo" if '"p":"radio_echo"' in line_text.replace(" ", "") else "measure", "test", line_text)


def close(number, link, field_key_hex=None):
    """Sign the readings in hand as part `number` and send them by `link`, "mqtt" or "serial".

    With a field key they are a report outside the run, under the board's own key; its number is 0.
    """
    if _call("sign", "close", number, field_key_hex):
        again(link, number)


def again(link, number=None):
    """Send once more what is kept: the token of part `number`, or every one that has no receipt yet."""
    for each in sorted(_session.kept) if number is None else [number]:
        _call("send", "again", each, link)


def receipt(text):
    """Take a receipt that came over the wire, and drop the token that it names if its code is right."""
    _call("send", "receipt", text)


def show(text):
    """Run a procedure {"p", "a"} for a person to perceive; it makes no reading."""
    _call("measure", "show", text)


def find():
    """Light the lamp and sound the sounder for 30 seconds; works without a run, and touches nothing else."""
    _call("measure", "find")


def _call(phase, name, *given):
    if phase != _session.phase:
        _session.hw = None
        modules.keep("bench_call")
        _session.phase = phase
        # The largest file first: compiling it needs the room that the others take afterwards.
        modules.load("link.mqtt" if "mqtt" in given or phase == "echo" else "boards.rp2")
    return getattr(modules.load("bench_" + phase), name)(_session, *given)
