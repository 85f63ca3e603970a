"""What the bench calls over the raw REPL, one bounded call at a time, without a reset in between.

Everything of a run (context, key, tokens without a receipt) lives in memory only. Each call that ends prints one line
`=BD= {"part", "report", "verdict", "error"}`; what is not known is null.
"""

import binascii
import hashlib
import json
import os
import time

import benchworthy_agent
from benchworthy_agent import receipt as receipts
from benchworthy_agent import report, runner, sign, state
from benchworthy_agent.boards import rp2
from benchworthy_agent.link import frames
from benchworthy_agent.procedures import blink as blinking

_STATE = "state.json"
_RECEIPT_MS = 10000
_BEAT_MS = 1000
_LINK_S = 5  # no heartbeat comes while the link waits, and the bench gives up after ten silent seconds
_TOPIC = "benchworthy/v1/%s/%s/%s"


class _Bench:
    """The run in hand: `kept` maps a part's number (0 for a field report) to its token, key and MQTT access."""

    def __init__(self):
        self.context = None
        self.plan = None
        self.hw = None
        self.fingerprint = None
        self.seq = 0
        self.kept = {}


_bench = _Bench()


def begin(context_text):
    """Take a run's context (JSON): serial, design, plan (text), run, nonce, key (hex), epoch, mqtt or null."""
    _bench.context = json.loads(context_text)
    _bench.plan = json.loads(_bench.context["plan"])
    _bench.hw = rp2.Board(_bench.plan["ports"])
    _bench.hw.rest()
    _bench.kept = {}


def part(number, link):
    """Carry out part `number` (from 1) of the plan, sign it, and send it by `link`, "mqtt" or "serial"."""
    context = _bench.context
    try:
        key = binascii.unhexlify(context["key"])
        readings = runner.run_tests(_bench.hw, time, _bench.plan["parts"][number - 1], _heartbeat)
        head = _head()
        head.update({"run": context["run"], "nonce": context["nonce"], "part": number})
        _keep(number, head, readings, "r." + context["run"], key)
    except (OSError, ValueError, TypeError, KeyError, IndexError, MemoryError) as error:
        _done(number, error=_text(error))
        return
    again(link, number)


def field_report(tests_text, key_hex, link="mqtt"):
    """Carry out the tests named (JSON list of ids) and send them outside a run, under the board's own key."""
    try:
        wanted = json.loads(tests_text)
        tests = [test for tests in _bench.plan["parts"] for test in tests if test["id"] in wanted]
        head = _head()
        readings = runner.run_tests(_bench.hw, time, tests, _heartbeat)
        kid = "f.%s.%d" % (head["serial"], head["epoch"])
        _keep(0, head, readings, kid, binascii.unhexlify(key_hex))
    except (OSError, ValueError, TypeError, KeyError, IndexError, MemoryError) as error:
        _done(0, error=_text(error))
        return
    again(link, 0)


def again(link, number=None):
    """Send once more what is kept: the token of part `number`, or every one that has no receipt yet."""
    for each in sorted(_bench.kept) if number is None else [number]:
        if each not in _bench.kept:
            _done(each, error="nothing kept")
            continue
        token, key = _bench.kept[each]
        verdict = error = None
        try:
            if link == "serial":
                print(frames.frame(token), end="")
            else:
                verdict = _by_mqtt(token, key)
        except (OSError, ValueError, KeyError, TypeError) as fault:
            error = _text(fault)
        if verdict is not None:
            del _bench.kept[each]
        _done(each, sign.digest(token), verdict, error)


def receipt(text):
    """Take a receipt that came over the wire, and drop the token that it names if its mac is right."""
    for number in sorted(_bench.kept):
        token, key = _bench.kept[number]
        digest = sign.digest(token)
        verdict = receipts.check(text, digest, key)
        if verdict is not None:
            del _bench.kept[number]
            _done(number, digest, verdict)
            return
    _done(None, error="no token for this receipt")


def blink(port, count):
    """Blink a lamp for the operator: 300 ms on, 300 ms off."""
    blinking.run(_bench.hw, runner.Clock(time, _heartbeat), {"port": port, "count": count})
    _done(None)


def _keep(number, head, readings, kid, key):
    token = sign.jws(report.header(kid), report.build(head, readings, kid), key)
    _bench.kept[number] = (token, key)


def _head():
    context, kept = _bench.context, state.load(_STATE)
    _bench.seq += 1
    head = {
        "v": 1,
        "serial": context["serial"],
        "module": _bench.hw.module_id(),
        "design": context["design"],
        "plan": _hex(context["plan"].encode())[:32],
        "agent": {"version": benchworthy_agent.__version__, "hash": _own_hash()},
        "firmware": _bench.hw.firmware(),
        "epoch": kept.epoch,
        "boot": kept.boot,
        "seq": _bench.seq,
        "ms": time.ticks_ms(),
    }
    plug = _bench.hw.plug_serial()
    if plug is not None:
        head["seen"] = {"plug": plug}
    return head


def _own_hash():
    """The agent's name: one hash over its files' hashes, computed once, as the service computes it from its release."""
    if _bench.fingerprint is None:
        paths = _sources("lib/benchworthy_agent")
        paths.append("main.py")
        lines = ["%s %s\n" % (path, _file_hash(path)) for path in sorted(paths)]
        _bench.fingerprint = _hex("".join(lines).encode())[:32]
    return _bench.fingerprint


def _sources(folder):
    found = []
    for name in os.listdir(folder):
        path = folder + "/" + name
        if os.stat(path)[0] & 0x4000:
            found += _sources(path) if name != "__pycache__" else []
        elif name.endswith(".py"):
            found.append(path)
    return found


def _file_hash(path):
    running = hashlib.sha256()
    with open(path, "rb") as file:
        while True:
            octets = file.read(512)
            if not octets:
                return binascii.hexlify(running.digest()).decode()
            running.update(octets)


def _hex(octets):
    return binascii.hexlify(hashlib.sha256(octets).digest()).decode()


def _by_mqtt(token, key):
    """The verdict of the receipt, None if none with the right mac came in time. LinkError as in link/mqtt.py."""
    from benchworthy_agent.link import mqtt

    access, serial, digest = _bench.context["mqtt"], _bench.context["serial"], sign.digest(token)
    if access is None:
        raise ValueError("no broker in the context")
    topics = {name: _TOPIC % (access["site"], serial, name) for name in ("report", "state", "receipt")}
    verdicts = []

    def take(topic, payload):
        verdict = receipts.check(payload, digest, key)
        if topic == topics["receipt"] and verdict is not None:
            verdicts.append(verdict)

    client = mqtt.Client(serial, access["host"], access["port"], access["user"], access["password"], timeout_s=_LINK_S)
    client.will = (topics["state"], "offline")
    client.on_message = take
    try:
        client.connect()
        client.publish(topics["state"], "online", retain=True)
        client.subscribe(topics["receipt"])
        client.publish(topics["report"], token)
        for _ in range(_RECEIPT_MS // _BEAT_MS):
            if client.wait(lambda: bool(verdicts), _BEAT_MS):
                break
            _heartbeat()
        client.publish(topics["state"], "offline", retain=True)
    finally:
        client.disconnect()
    return verdicts[0] if verdicts else None


def _heartbeat():
    print(frames.heartbeat(time.ticks_ms()), end="")


def _text(error):
    return ("%s: %s" % (type(error).__name__, error))[:160]


def _done(number, digest=None, verdict=None, error=None):
    print("=BD= " + json.dumps({"part": number, "report": digest, "verdict": verdict, "error": error}))
