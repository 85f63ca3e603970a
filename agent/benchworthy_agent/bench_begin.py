"""The call of the bench that begins a run."""

import json

from benchworthy_agent import modules


def begin(session, context_text):
    """Take the context of a run, and make room for its first report."""
    run = session.run = json.loads(context_text)
    run["ports"] = modules.load("boards.rp2_ports").packed(run["ports"])
    run["boot"] = modules.load("state").load("state.json").boot
    modules.drop("state")
    session.kept = {}
    session.spare, session.draft, session.hw = session.draft or session.spare, None, None
    # The report's buffer, taken now, before the heap is in pieces.
    modules.load("bench_reading").draft(session)
