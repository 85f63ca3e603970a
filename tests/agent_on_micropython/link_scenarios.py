"""What a board does in the tests of its link: link_scenarios.py NAME, options as JSON on stdin."""

import builtins
import gc
import json
import os
import sys
import time

from benchworthy_agent import receipt, sign
from benchworthy_agent.link import LinkError, packets
from benchworthy_agent.link.mqtt import Client

KEY = b"k" * 32


def client(o, will=None):
    made = Client(
        o["serial"],
        "127.0.0.1",
        o["port"],
        o["serial"],
        o.get("password"),
        keepalive=o.get("keepalive", 30),
        timeout_s=o.get("timeout", 5),
        will=will,
    )
    made._pid = o.get("pid", 0)
    return made


def topic(o, leaf):
    return "benchworthy/v1/" + o.get("site", "trial") + "/" + o.get("of", o["serial"]) + "/" + leaf


def publish(o):
    """Publish a payload of each size in turn; the milliseconds it all took and the identifiers still open."""
    link = client(o)
    link.connect(clean=o.get("clean", False))
    began = time.ticks_ms()
    for size in o["sizes"]:
        link.publish(topic(o, "report"), b"x" * size, qos=o.get("qos", 1))
    took = time.ticks_diff(time.ticks_ms(), began)
    last = link._pid
    link.disconnect()
    return {"ms": took, "open": len(link.unacked), "pid": last}


def await_receipt(o):
    """Publish a token, then wait for a receipt that counts; the verdict, or null."""
    link = client(o)
    link.connect()
    link.subscribe(topic(o, "receipt"))
    token = b"e30.cGF5bG9hZA." + sign.base64url(sign.hmac_sha256(KEY, b"e30.cGF5bG9hZA"))
    found = []
    link.on_message = lambda _, text: found.append(receipt.check(text, sign.digest(token), KEY))
    link.publish(topic(o, "report"), token)
    link.wait(lambda: len(found) > 0, o["ms"])
    link.disconnect()
    return {"verdicts": found, "digest": sign.digest(token)}


def stay(o):
    """Say that we are here, then do so until killed."""
    link = client(o, will=(topic(o, "state"), "offline"))
    link.connect()
    link.publish(topic(o, "state"), "online", retain=True)
    print("here")
    link.wait(60000)


def idle(o):
    """Keep quiet for a while, then publish."""
    link = client(o)
    link.connect()
    link.wait(o["ms"])
    link.publish(topic(o, "report"), b"still here")
    return {}


def publish_twice(o):
    """Publish; when the connection is lost, connect again (which resends), and say how each went."""
    link = client(o)
    went = [link.connect()]
    try:
        link.publish(topic(o, "report"), b"evidence")
        went.append("acknowledged")
    except LinkError as error:
        went.append(str(error))
    went.append(link.connect())
    went.append(len(link.unacked))
    link.publish(topic(o, "report"), b"more")
    return went


def collect(o):
    """Subscribe and give all messages that arrive in a while."""
    link = client(o)
    found = []
    link.on_message = lambda name, payload: found.append((name, len(payload)))
    link.connect()
    link.subscribe(topic(o, "request"))
    link.wait(lambda: len(found) >= o["count"], o["ms"])
    link.wait(100)
    return found


def publish_from_callback(o):
    """Answer each request by a publish inside the callback; the deepest nesting and the order of arrival."""
    link = client(o)
    depth, deepest, order = [0], [0], []

    def answer(_, payload):
        depth[0] += 1
        deepest[0] = max(deepest[0], depth[0])
        link.publish(topic(o, "report"), b"answer to " + payload)
        order.append(payload.decode())
        depth[0] -= 1

    link.on_message = answer
    link.connect()
    link.subscribe(topic(o, "request"))
    print("here")
    link.wait(lambda: len(order) >= o["count"], 5000)
    return {"deepest": deepest[0], "order": order}


def wait_only(o):
    """Wait with a callback that waits itself; how long it took, and the most messages that had to queue meanwhile."""
    link = client(o)
    most = [0]

    def busy(*_):
        link.wait(o["ms"] // 10)
        most[0] = max(most[0], len(link._waiting))

    link.on_message = busy
    link.connect()
    began = time.ticks_ms()
    link.wait(o["ms"])
    return {"ms": time.ticks_diff(time.ticks_ms(), began), "kept": most[0]}


def hang_up_in_callback(o):
    link = client(o)
    link.on_message = lambda _, payload: link.disconnect()
    link.connect()
    link.wait(o["ms"])
    return {}


def break_wire(o):
    """Publish on a connection whose wire raises a fault that is no LinkError."""
    link = client(o)
    link.connect()

    def broken(*_):
        raise getattr(builtins, o["fault"])

    setattr(link._wire, o["place"], broken)
    link.publish(topic(o, "report"), b"x")
    link.wait(2000)
    return {}


def no_memory(o):
    """Connect, subscribe and publish while there is no memory for the packet named; what each came to."""
    link = client(o)
    said = []

    def short(*_, **__):
        raise MemoryError

    for name, act in (
        ("connect", link.connect),
        ("subscribe", lambda: link.subscribe(topic(o, "receipt"))),
        ("publish", lambda: link.publish(topic(o, "report"), b"x")),
    ):
        if name != "connect":
            link.connect()
        kept = getattr(packets, name)
        setattr(packets, name, short)
        try:
            act()
        except LinkError as error:
            said.append(str(error))
        setattr(packets, name, kept)
    return said


def publish_lean(o):
    """By how many bytes the heap grows while a report is published."""
    link = client(o)
    link.connect()
    token = memoryview(bytearray(o["size"]))
    gc.collect()
    gc.disable()
    before = gc.mem_alloc()
    link.publish(topic(o, "report"), token)
    grown = gc.mem_alloc() - before
    gc.enable()
    link.disconnect()
    return {"grown": grown}


def die_in_callback(o):
    link = client(o)
    link.on_message = lambda *_: os.system("kill -9 $PPID")
    link.connect()
    link.subscribe(topic(o, "request"))
    link.wait(10000)


def main():
    began = time.ticks_ms()
    try:
        answer = {"done": globals()[sys.argv[1]](json.loads(sys.stdin.read()))}
    except LinkError as error:
        answer = {"link_error": str(error), "ms": time.ticks_diff(time.ticks_ms(), began)}
    print(json.dumps(answer))


main()
