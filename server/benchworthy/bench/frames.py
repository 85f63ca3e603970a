"""Finds tokens and heartbeats on a serial line, among boot messages, prints and noise.

A frame is one line, `=BW= LLLL CCCCCCCC <token>`: length of the token in 4 and its CRC-32 in 8 lower-case hex
digits (CRC-32/ISO-HDLC in the catalogue of parametrised CRC algorithms).
A heartbeat is `=HB= <milliseconds>`.
"""

import binascii
import re
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

MAX_TOKEN = 4096
_TOKEN_MARK = b"=BW= "
_BEAT_MARK = b"=HB= "
_MARK = re.compile(re.escape(_TOKEN_MARK) + b"|" + re.escape(_BEAT_MARK))
_FRAME = re.compile(rb"=BW= (?P<length>[0-9a-f]{4}) (?P<crc>[0-9a-f]{8}) (?P<token>.*)", re.DOTALL)
_BEAT = re.compile(rb"=HB= (?P<ms>[0-9]{1,15})")
_LONGEST_LINE = len("=BW= LLLL CCCCCCCC ") + MAX_TOKEN + len("\r")


class FaultKind(StrEnum):
    """What is wrong with a line that began as a frame or a heartbeat."""

    SHAPE = "shape"
    LENGTH = "length"
    CRC = "crc"


@dataclass(frozen=True, slots=True)
class TokenFrame:
    """A token that arrived whole."""

    token: bytes


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """The board is at work, `ms` milliseconds after its start by its own count."""

    ms: int


@dataclass(frozen=True, slots=True)
class FrameFault:
    """A frame that cannot be used; ask the board for it again. `detail` repeats no bytes of the line."""

    kind: FaultKind
    detail: str


@dataclass(frozen=True, slots=True)
class Noise:
    """Whatever else was printed, without its line end; hostile until shown harmless."""

    octets: bytes


Event = TokenFrame | Heartbeat | FrameFault | Noise


class FrameReader:
    """Turns bytes, cut anywhere, into events. Holds at most one line; never raises on what a board sends."""

    def __init__(self) -> None:
        self._held = b""

    def feed(self, octets: bytes) -> list[Event]:
        """Take the next bytes; give the events they complete, in order."""
        *lines, self._held = (self._held + octets).split(b"\n")
        events = [event for line in lines for event in _read_line(line)]
        if len(self._held) > _LONGEST_LINE:
            events += self._shed()
        return events

    def close(self) -> list[Event]:
        """Give what is held as the half line it is: the board is gone. The reader is empty afterwards."""
        line, self._held = self._held, b""
        return _read_line(line)

    def _shed(self) -> list[Event]:
        """Let go of what can be no part of a frame, and keep the start of one that may still end well."""
        last = None
        for mark in _MARK.finditer(self._held):
            last = mark.start()
        keep = len(self._held) - len(_TOKEN_MARK) + 1  # a marker may be cut by the end of the bytes
        if last is not None and len(self._held) - last <= _LONGEST_LINE:
            keep = last
        events = _read_line(self._held[:keep])
        self._held = self._held[keep:]
        return events


def _read_line(line: bytes) -> list[Event]:
    """The events of one line without its `\\n`. A later marker ends an earlier one: no token contains `=`."""
    line = line.removesuffix(b"\r")
    starts = [mark.start() for mark in _MARK.finditer(line)]
    events: list[Event] = []
    before = line[: starts[0]] if starts else line
    if before:
        events.append(Noise(before))
    for start, end in pairwise([*starts, len(line)]):
        events.append(_read_marked(line[start:end]))
    return events


def _read_marked(octets: bytes) -> Event:
    if octets.startswith(_BEAT_MARK):
        beat = _BEAT.fullmatch(octets)
        if beat is None:
            return FrameFault(FaultKind.SHAPE, "a heartbeat without its milliseconds")
        return Heartbeat(int(beat["ms"]))
    frame = _FRAME.fullmatch(octets)
    if frame is None:
        return FrameFault(FaultKind.SHAPE, "no length and CRC after the marker")
    said, token = int(frame["length"], 16), frame["token"]
    if said != len(token) or said > MAX_TOKEN:
        detail = f"{said} bytes announced, {len(token)} arrived, {MAX_TOKEN} allowed"
        return FrameFault(FaultKind.LENGTH, detail)
    wanted, found = int(frame["crc"], 16), binascii.crc32(token)
    if wanted != found:
        return FrameFault(FaultKind.CRC, f"CRC {wanted:08x} announced, {found:08x} found")
    return TokenFrame(token)
