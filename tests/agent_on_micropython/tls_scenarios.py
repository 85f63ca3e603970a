"""What a board does in the tests of TLS and of its clock: tls_scenarios.py NAME, options as JSON on stdin."""

import json
import os
import sys
import time

from benchworthy_agent import clock
from benchworthy_agent.link import LinkError, post


def send(o):
    """One report to the broker; the error, and the milliseconds it took."""
    began = time.ticks_ms()
    error = None
    mail = post.Post(o["access"], o["serial"], lambda text: None, timeout_s=2)
    try:
        mail.open()
        mail.send(b"x" * 4000, lambda: True)
        mail.close()
    except LinkError as fault:
        error = str(fault)
    return {"error": error, "ms": time.ticks_diff(time.ticks_ms(), began)}


def ask_the_time(o):
    """Whether the clock was set and to what, in how many milliseconds, and how many more files are open now."""
    moments = []
    before = len(os.listdir("/proc/self/fd"))  # noqa: PTH208
    began = time.ticks_ms()
    took = clock.set_by_ntp(o["host"], moments.append, 1000, o["port"])
    ms = time.ticks_diff(time.ticks_ms(), began)
    files = len(os.listdir("/proc/self/fd")) - before  # noqa: PTH208
    return {"took": took, "set": moments[0] if moments else None, "ms": ms, "files": files}


print(json.dumps(globals()[sys.argv[1]](json.loads(sys.stdin.read()))))
