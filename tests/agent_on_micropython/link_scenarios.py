"""What a board does in the tests of its link: link_scenarios.py NAME, options as JSON on stdin."""

import json
import sys
import time

from benchworthy_agent import receipt, sign
from benchworthy_agent.link import LinkError
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
    token = sign.jws("{}", b"payload", KEY)
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
    link.connect()
    link.subscribe(topic(o, "request"))
    link.wait(lambda: len(link.inbox) >= o["count"], o["ms"])
    inbox = [(name, len(payload)) for name, payload in link.inbox]
    link.wait(100)
    return inbox


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
    link = client(o)
    link.connect()
    began = time.ticks_ms()
    link.wait(o["ms"])
    return {"ms": time.ticks_diff(time.ticks_ms(), began), "kept": len(link.inbox)}


def hang_up_in_callback(o):
    link = client(o)
    link.on_message = lambda _, payload: link.disconnect()
    link.connect()
    link.wait(o["ms"])
    return {}


def main():
    began = time.ticks_ms()
    try:
        answer = {"done": globals()[sys.argv[1]](json.loads(sys.stdin.read()))}
    except LinkError as error:
        answer = {"link_error": str(error), "ms": time.ticks_diff(time.ticks_ms(), began)}
    print(json.dumps(answer))


main()
