"""The call of the bench that measures the way to the broker."""

import json

from benchworthy_agent import modules

_JOIN_MS = 6000


def test(session, line_text):
    line = json.loads(line_text)
    kind, content = _reading(session, line)
    modules.drop_if_short("echo", "link")
    modules.load("bench_reading").keep(session, line["id"], kind, content)


def _reading(session, line):
    run = session.run
    missing = [need for need in line["n"] if need in (run["absent"] or ())]
    if missing or run["mqtt"] is None:
        return "not_run", "no " + (missing or ["broker"])[0]
    session.heartbeat()
    try:
        if run["wifi"]:
            modules.load("link.radio").join(run["wifi"], _JOIN_MS)
            modules.drop_if_short("link.radio")
            session.heartbeat()
        return "steps", modules.load("echo").echoes(run["serial"], run["mqtt"], session.heartbeat, line["a"]["n"])
    except session.FAULTS as error:
        return "error", ("%s: %s" % (type(error).__name__, error))[:64]
