"""Lines and bounds of a serial port, cut and timed in every way."""

import time
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchworthy.bench.watch import Lines, Overdue, Watch


class Port:
    """Gives bytes from a script, one entry for each read; an empty entry is a read that timed out."""

    def __init__(self, *script: bytes) -> None:
        self.script = list(script)
        self.written = b""

    @property
    def in_waiting(self) -> int:
        return len(self.script[0]) if self.script else 0

    def read(self, size: int) -> bytes:
        if not self.script:
            time.sleep(0.01)
            return b""
        octets = self.script.pop(0)
        if len(octets) > size:
            self.script.insert(0, octets[size:])
        return octets[:size]

    def write(self, octets: bytes) -> int:
        self.written += octets
        return len(octets)


@given(st.lists(st.binary(max_size=20), max_size=8), st.lists(st.integers(0, 120), max_size=6))
def test_lines_are_the_same_however_the_bytes_are_cut(pieces: list[bytes], cuts: list[int]) -> None:
    """As one piece and as many; carriage returns before a line end belong to no line."""
    text = b"\n".join(piece.replace(b"\n", b"") for piece in pieces)
    whole, heard = Lines(None), list[str]()
    whole.take(text)
    whole.finish()
    cut = Lines(heard.append)
    places = sorted({0, len(text), *(place for place in cuts if place < len(text))})
    for start, end in pairwise(places):
        cut.take(text[start:end])
    cut.finish()
    assert cut.all == whole.all == heard


def test_a_line_without_end_is_cut_and_the_memory_bounded() -> None:
    """A board that never ends its line does not fill the bench."""
    lines = Lines(None)
    for _ in range(40):
        lines.take(b"x" * 4096)
    lines.finish()
    assert len(lines.all) == 3 and sum(map(len, lines.all)) == 40 * 4096


def test_bytes_given_back_come_first_again() -> None:
    """What was read too far belongs to the next question."""
    watch = Watch(Port(b"ab", b"cd"), 5)
    assert watch.read_some() == b"ab"
    watch.give_back(b"b")
    assert (watch.inWaiting(), watch.read(1), watch.read_some()) == (1, b"b", b"cd")


@pytest.mark.parametrize(
    ("said", "how"),
    [([], "silent"), ([b"whole line\r\n"], "silent"), ([b"half a li"], "half-line")],
)
def test_silence_is_told_by_how_the_last_line_stands(said: list[bytes], how: str) -> None:
    """A board that stopped in the middle of a line is another case than one that had said its say."""
    watch = Watch(Port(*said), 5)
    watch.start(5, 0.05)
    with pytest.raises(Overdue) as fault:
        for _ in range(100):
            watch.read()
    assert fault.value.how == how


def test_talk_that_goes_on_until_the_deadline_is_chatter() -> None:
    """And talk that had ended before is not."""
    talking = Watch(Port(*[b"la"] * 10**5), 0.1)
    with pytest.raises(Overdue, match="chattering"):
        while True:
            talking.read()
    ended = Watch(Port(b"hello\r\n"), 0.9)
    ended.start(0.9, 5)
    with pytest.raises(Overdue, match="stopped"):
        while True:
            ended.read()


@pytest.mark.parametrize(
    ("heard", "loops"),
    [
        (b"MPY: soft reboot\r\n" * 3, True),
        (b"rst cause:2, boot mode:(3,6)\r\nx\r\n" * 3, True),
        (b"MPY: soft reboot\r\n" * 2, False),
        (b"temperature 21\r\n" * 9, False),
        (b"boot\r\n" * 9, False),
    ],
)
def test_starting_again_and_again_is_told_from_talk(heard: bytes, loops: bool) -> None:
    """A whole line about starting, three times the same."""
    watch = Watch(Port(heard), 5)
    watch.read(4096)
    assert watch.loops() is loops
