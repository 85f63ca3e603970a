"""Puts a reading into a report."""

import json

from micropython import const

_HEAD_BYTES = const(640)  # what the head may need behind the readings
_MAX_TEXT = const(64)


def add(draft, test, kind, content):
    """Put the reading of a test into a draft, see report.Draft.add."""
    state = draft.state
    before = state[1:]
    try:
        draft.put(("," if state[3] else "") + '{"test":' + json.dumps(test) + ',"' + kind + '":')
        if kind == "steps":
            _put_steps(draft, content)
        elif kind in ("not_run", "error") and isinstance(content, str):
            draft.put(json.dumps(content[:_MAX_TEXT]))
        else:
            raise ValueError("a reading is steps, not_run or error")
        draft.put("}", _HEAD_BYTES)
    except BaseException:
        state[1:] = before
        raise
    state[3] += 1


def _put_steps(draft, steps):
    # One step at a time: the text of a whole walk would be as long as half a report.
    start = "["
    for step in steps:
        _refuse(step)
        draft.put(start + "[%d,%d,%d,%d,%d]" % tuple(step))
        start = ","
    draft.put("]" if steps else "[]")


def _refuse(step):
    """ValueError if it is no step."""
    if len(step) != 5:
        raise ValueError("a step is n, sum, sum of squares, least, greatest")
    for number in step:
        # type(), not isinstance(): on CPython a bool is an int.
        if type(number) is not int:
            raise ValueError("a step holds whole numbers only")
