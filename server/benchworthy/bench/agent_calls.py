"""One bounded call into the agent on the board for each step of a run."""

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from benchworthy.bench.frames import FrameReader, Heartbeat, Noise, TokenFrame
from benchworthy.bench.probe import Link, code_crc
from benchworthy.errors import BoardFaulted

Way = Literal["mqtt", "serial"]
TEST_S: Final = 120.0
SEND_S: Final = 60.0
BRIEF_S: Final = 20.0
SHOW_S: Final = 60.0
FIND_S: Final = 60.0
_CHUNK: Final = 1024
_DONE: Final = "=BD= "
_WATCHING: Final = re.compile(r"=DM= ([0-9]{1,10})")
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


@dataclass(frozen=True, slots=True)
class Done:
    """How one test ended on the board: steps, not_run or error; the reason of the last two."""

    test: str
    kind: str
    text: str | None


class Agent:
    """The agent on the board at the other end of a link. Every method raises BenchFailure.

    While something is driven the board asks, over and over, whether the bench is still there; an answer that fails to come
    makes it drop its outputs. So a call never waits for a person.
    """

    def __init__(self, link: Link, on_beat: Callable[[], None] = lambda: None) -> None:
        self._link = link
        self._on_beat = on_beat

    def begin(self, context: Mapping[str, Any]) -> None:
        """Put a run's context, key included, into the board's RAM."""
        self._hand_over("begin", json.dumps(dict(context), separators=(",", ":")))

    def test(self, line: str) -> Done:
        """Carry out one line of the plan; the reading stays on the board."""
        said = self._hand_over("test", line, TEST_S)
        if said is None or said.get("kind") not in ("steps", "not_run", "error"):
            raise BoardFaulted("The agent did not say how a test ended.", port=self._link.port)
        return Done(str(said.get("test"))[:32], said["kind"], _text(said, "text"))

    def close(self, number: int, way: Way) -> Outcome:
        """Sign the readings in hand as one part of the run, and send it."""
        return self._outcome(f"close({number},{way!r})", SEND_S)

    def again(self, number: int, way: Way) -> Outcome:
        """Send a part's report, kept on the board, once more."""
        return self._outcome(f"again({way!r},{number})", SEND_S)

    def receipt(self, receipt: Mapping[str, Any]) -> Outcome:
        """Hand over the service's receipt; the verdict is None when the board does not believe it."""
        fields = {"v": 1} | {name: receipt.get(name) for name in ("report", "verdict", "mac")}
        return self._outcome(f"receipt({json.dumps(fields, separators=(',', ':'))!r})", BRIEF_S)

    def show(self, stimulus: Mapping[str, Any]) -> None:
        """Light, sound or turn what a person is to perceive; returns when it is over. BoardFaulted when it was not shown."""
        self._shown(self._hand_over("show", json.dumps(dict(stimulus), separators=(",", ":")), SHOW_S))

    def find(self) -> None:
        """Lamp and sounder for half a minute; never a motor."""
        self._shown(self._run("find()", FIND_S).done)

    def _shown(self, said: dict[str, Any] | None) -> None:
        error = "The agent did not say that it was done." if said is None else _text(said, "error")
        if error:
            raise BoardFaulted(error, port=self._link.port)

    def _hand_over(self, name: str, text: str, timeout_s: float = BRIEF_S) -> dict[str, Any] | None:
        """Call a function of the agent with one text.

        A long one goes over in pieces, as code of more than 8 KiB may take a board down, and is compared whole before use.
        """
        if len(text) <= _CHUNK:
            return self._run(f"{name}({text!r})", timeout_s).done
        self._link.call("_bw=[]", BRIEF_S)
        for start in range(0, len(text), _CHUNK):
            self._link.call(f"_bw.append({text[start : start + _CHUNK]!r})", BRIEF_S)
        check = (
            "import binascii\n_bw=''.join(_bw)\n"
            f"if binascii.crc32(_bw.encode())&0xffffffff!={code_crc(text)}: raise ValueError('garbled on the way')"
        )
        self._link.call(check, BRIEF_S)
        return self._run(f"{name}(globals().pop('_bw'))", timeout_s).done

    def _outcome(self, call: str, timeout_s: float) -> Outcome:
        heard = self._run(call, timeout_s)
        if heard.done is None:
            raise BoardFaulted("The agent did not say that it was done.", port=self._link.port)
        said = heard.done
        return Outcome(_text(said, "report"), _text(said, "verdict"), _text(said, "error"), heard.token)

    def _run(self, call: str, timeout_s: float) -> "_Heard":
        heard = _Heard(self._link, self._on_beat)
        self._link.call(_CALL + call, timeout_s, heard.line)
        return heard


class _Heard:
    """Sorts a call's lines: heartbeats, the report, the closing line; all else is noise and left aside."""

    def __init__(self, link: Link, on_beat: Callable[[], None]) -> None:
        self.token: bytes | None = None
        self.done: dict[str, Any] | None = None
        self._link = link
        self._on_beat = on_beat
        self._reader = FrameReader()

    def line(self, line: str) -> None:
        if (watching := _WATCHING.search(line)) is not None:
            # At once: the board drops its outputs when no answer comes within half a second.
            self._link.reply(f"{watching[1]}\n")
            return
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
