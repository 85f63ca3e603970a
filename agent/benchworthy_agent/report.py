"""Builds a report's token, readings first, in one buffer that is taken early and never copied."""

from micropython import const

from benchworthy_agent import modules, sign

MAX_TOKEN = const(4096)
HEADER_ROOM = const(132)  # the longest header and its dot
SIGNATURE_ROOM = const(44)  # a dot, and 32 bytes in base64url


class Draft:
    """A report in the making. What is put in is encoded at once, so that the buffer holds the token itself.

    Readings come in whole numbers or short text, by add(); close() puts the head behind them, signs, and gives the
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
        """Put in the reading of a test: "steps" (lists of five whole numbers), "not_run" or "error" (text).

        ValueError if it is none of these, or if there is no room: then the draft is as before.
        """
        modules.load("reading").add(self, test, kind, content)

    def close(self, head, kid, key):
        """The token (a view of the buffer) with the members of `head` (dict of text, whole numbers, dicts) behind the
        readings, under the key id `f.<serial>.<epoch>` or `r.<run id>`. ValueError if it would be too long.
        """
        return modules.load("seal").seal(self, head, kid, key)

    def place(self, at, octets):
        """Put octets into the buffer; the place behind them."""
        self.state[0][at : at + len(octets)] = octets
        return at + len(octets)

    def put(self, text, spare=0):
        """Encode what makes whole groups of three bytes, and keep the rest for the next piece."""
        octets = self.state[2] + text.encode()
        size = len(octets) // 3 * 3
        end = self.state[1] + size // 3 * 4
        if end + spare * 4 // 3 + SIGNATURE_ROOM + 4 > MAX_TOKEN:
            raise ValueError("no room left in this part")
        self.place(self.state[1], sign.base64url(octets[:size]))
        self.state[1:3] = [end, octets[size:]]
