"""The calls of the bench that measure, and those that a person watches."""

import json
import time

from benchworthy_agent import modules, runner
from benchworthy_agent.boards import FINDING, rp2


def begin(session, context_text):
    modules.load("bench_begin").begin(session, context_text)
    modules.drop_if_short("bench_begin", "bench_reading", "report", "sign")
    _board(session).rest()


def test(session, line_text):
    line = json.loads(line_text)
    kind, content = runner.carry_out(_board(session), _clock(session), line, session.run["absent"] or ())
    name = line["id"]
    line = None  # a long one takes as much memory as a file
    modules.drop_if_short(*runner.USED)
    modules.load("bench_reading").keep(session, name, kind, content)


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
