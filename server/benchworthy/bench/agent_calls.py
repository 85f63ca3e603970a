"""One bounded call into the agent on the board for each step of a run."""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from benchworthy.bench.frames import FrameReader, Heartbeat, Noise, TokenFrame
from benchworthy.bench.probe import Link, code_crc
from benchworthy.errors import BoardFaulted

Way = Literal["mqtt", "serial"]
PART_S: Final = 180.0
SEND_S: Final = 60.0
BRIEF_S: Final = 20.0
_CHUNK: Final = 1024
_DONE: Final = "=BD= "
_CALL: Final = "from benchworthy_agent import bench_call\nbench_call."


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the board says at the end of a call: the report's digest, the receipt's verdict, an error, or None each.

    `token` is the report itself where it came over the wire, whole.
    """

    report: str | None
    verdict: str | None
    error: str | None
    token: bytes | None = None


class Agent:
    """The agent on the board at the other end of a link. Every method raises BenchFailure."""

    def __init__(self, link: Link, on_beat: Callable[[], None] = lambda: None) -> None:
        self._link = link
        self._on_beat = on_beat

    def begin(self, context: Mapping[str, Any]) -> None:
        """Put a run's context, key included, into the board's RAM.

        It goes over in pieces, as code of more than 8 KiB may take a board down, and is compared whole before use.
        """
        text = json.dumps(dict(context), separators=(",", ":"))
        self._link.call("_bw=[]", BRIEF_S)
        for start in range(0, len(text), _CHUNK):
            self._link.call(f"_bw.append({text[start : start + _CHUNK]!r})", BRIEF_S)
        code = (
            "import binascii\n_bw=''.join(_bw)\n"
            f"if binascii.crc32(_bw.encode())&0xffffffff!={code_crc(text)}: raise ValueError('garbled on the way')\n"
            f"{_CALL}begin(_bw)\ndel _bw"
        )
        self._link.call(code, BRIEF_S)

    def part(self, number: int, way: Way) -> Outcome:
        """Carry out one part of the plan, sign it and send it."""
        return self._run(f"part({number},{way!r})", PART_S)

    def again(self, number: int, way: Way) -> Outcome:
        """Send a part's report, kept on the board, once more."""
        return self._run(f"again({way!r},{number})", SEND_S)

    def receipt(self, receipt: Mapping[str, Any]) -> Outcome:
        """Hand over the service's receipt; the verdict is None when the board does not believe it."""
        fields = {"v": 1} | {name: receipt.get(name) for name in ("report", "verdict", "mac")}
        return self._run(f"receipt({json.dumps(fields, separators=(',', ':'))!r})", BRIEF_S)

    def blink(self, port: str, count: int) -> None:
        """Blink a lamp; returns when it is done."""
        self._run(f"blink({port!r},{count})", BRIEF_S + count)

    def _run(self, call: str, timeout_s: float) -> Outcome:
        heard = _Heard(self._on_beat)
        self._link.call(_CALL + call, timeout_s, heard.line)
        if heard.done is None:
            raise BoardFaulted("The agent did not say that it was done.", port=self._link.port)
        said = heard.done
        return Outcome(_text(said, "report"), _text(said, "verdict"), _text(said, "error"), heard.token)


class _Heard:
    """Sorts a call's lines: heartbeats, the report, the closing line; all else is noise and left aside."""

    def __init__(self, on_beat: Callable[[], None]) -> None:
        self.token: bytes | None = None
        self.done: dict[str, Any] | None = None
        self._on_beat = on_beat
        self._reader = FrameReader()

    def line(self, line: str) -> None:
        # The closing line is kept from the reader only when it is one: a marker may follow noise on a line.
        if line.startswith(_DONE):
            self.done = _object(line[len(_DONE) :])
            return
        for event in self._reader.feed(line.encode() + b"\n"):
            match event:
                case TokenFrame(token):
                    self.token = token
                case Heartbeat():
                    self._on_beat()
                case Noise(octets) if (at := octets.find(_DONE.encode())) >= 0:
                    self.done = _object(octets[at + len(_DONE) :].decode("utf-8", "replace"))


def _object(text: str) -> dict[str, Any] | None:
    try:
        found = json.loads(text)
    except (json.JSONDecodeError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _text(said: Mapping[str, Any], name: str) -> str | None:
    value = said.get(name)
    return value[:200] if isinstance(value, str) else None
