"""The calls of the bench that measure, and those that a person watches."""

import json
import time

from benchworthy_agent import modules, runner
from benchworthy_agent.boards import FINDING, rp2


def begin(session, context_text):
    run = session.run = json.loads(context_text)
    run["ports"] = modules.load("boards.rp2_ports").packed(run["ports"])
    run["boot"] = modules.load("state").load("state.json").boot
    modules.drop("state")
    session.kept = {}
    session.spare, session.draft, session.hw = session.draft or session.spare, None, None
    # The report's buffer, taken now, before the heap is in pieces.
    modules.load("bench_reading").draft(session)
    modules.drop_if_short("report", "sign", "bench_reading")
    _board(session).rest()


def test(session, line_text):
    line = json.loads(line_text)
    kind, content = runner.carry_out(_board(session), _clock(session), line, session.run["absent"] or ())
    modules.drop_if_short(*runner.USED)
    modules.load("bench_reading").keep(session, line["id"], kind, content)


def show(session, text):
    try:
        runner.show(_board(session), _clock(session), json.loads(text))
    except session.FAULTS as error:
        session.tell(None, error=error)
    else:
        session.tell(None)


def find(session):
    arguments = {"lamp": "lamp", "sounder": "sounder", "ms": 30000}
    runner.show(rp2.Board(FINDING), _clock(session), {"p": "find", "a": arguments})
    session.tell(None)


def _board(session):
    if session.hw is None:
        session.hw = rp2.Board(session.run["ports"], session.run["boot"], session.run)
    return session.hw


def _clock(session):
    return runner.Clock(time, session.heartbeat, True)
