"""Builds a report's token, readings first, in one buffer that is taken early and never copied."""

import json

from micropython import const

from benchworthy_agent import modules, sign

MAX_TOKEN = const(4096)
HEADER_ROOM = const(132)  # the longest header and its dot
SIGNATURE_ROOM = const(44)  # a dot, and 32 bytes in base64url
_HEAD_BYTES = const(640)  # what the head may need behind the readings
_MAX_TEXT = const(64)


class Draft:
    """A report in the making. What is put in is encoded at once, so that the buffer holds the token itself.

    Readings come in size numbers or short text, by add(); close() puts the head behind them, signs, and gives the
    token. All that there is of it lies in `state`, so that this file may leave the memory between two readings:
    Draft(state) goes on where another ended.
    """

    def __init__(self, state=None):
        # The buffer, the end of what is encoded in it, octets that do not yet make a group, readings so far.
        self.state = state
        if state is None:
            self.state = [bytearray(MAX_TOKEN + HEADER_ROOM), 0, b"", 0]
            self.clear()

    @property
    def count(self):
        """How many readings there are."""
        return self.state[3]

    def clear(self):
        """Begin anew in the same buffer; an older token of this draft is lost."""
        self.state[1:] = [HEADER_ROOM, b'{"readings":[', 0]

    def add(self, test, kind, content):
        """Put in the reading of a test: "steps" (lists of five size numbers), "not_run" or "error" (text).

        ValueError if it is none of these, or if there is no room: then the draft is as before.
        """
        state = self.state
        before = state[1:]
        try:
            self.put(("," if state[3] else "") + '{"test":' + _dumps(test) + ',"' + kind + '":')
            if kind == "steps":
                self._put_steps(content)
            elif kind in ("not_run", "error") and isinstance(content, str):
                self.put(_dumps(content[:_MAX_TEXT]))
            else:
                raise ValueError("a reading is steps, not_run or error")
            self.put("}", _HEAD_BYTES)
        except BaseException:
            state[1:] = before
            raise
        state[3] += 1

    def close(self, head, kid, key):
        """The token (a view of the buffer) with the members of `head` (dict of text, size numbers, dicts) behind the
        readings, under the key id `f.<serial>.<epoch>` or `r.<run id>`. ValueError if it would be too long.
        """
        return modules.load("seal").seal(self, head, kid, key)

    def place(self, at, octets):
        """Put octets into the buffer; the place behind them."""
        self.state[0][at : at + len(octets)] = octets
        return at + len(octets)

    def _put_steps(self, steps):
        # One step at a time: the text of a size walk would be as long as half a report.
        start = "["
        for step in steps:
            if len(step) != 5:
                raise ValueError("a step is n, sum, sum of squares, least, greatest")
            for number in step:
                # type(), not isinstance(): on CPython a bool is an int.
                if type(number) is not int:
                    raise ValueError("a step holds size numbers only")
            self.put(start + "[%d,%d,%d,%d,%d]" % tuple(step))
            start = ","
        self.put("]" if steps else "[]")

    def put(self, text, spare=0):
        """Encode what makes whole groups of three bytes, and keep the rest for the next piece."""
        octets = self.state[2] + text.encode()
        size = len(octets) // 3 * 3
        end = self.state[1] + size // 3 * 4
        if end + spare * 4 // 3 + SIGNATURE_ROOM + 4 > MAX_TOKEN:
            raise ValueError("no room left in this part")
        self.place(self.state[1], sign.base64url(octets[:size]))
        self.state[1:3] = [end, octets[size:]]


def _dumps(value):
    return json.dumps(value, separators=(",", ":"))
