"""What the bench sees for itself, by snippets of its own: the agent on the board has no word in it.

Each snippet answers in lines that begin with a marker, as a board may print other things.
"""

import binascii
import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Protocol

from benchworthy.errors import BoardFaulted

MARK: Final = "=BP= "
MOST_FILES: Final = 200
_BRIEF_S: Final = 15.0
_FILES_S: Final = 120.0

_IDENTITY: Final = """
import machine,binascii,os,sys,json
try:
 with open('state.json') as f: k=json.load(f)
 b,n=k['boot'],k['serial']
except Exception: b,n=0,''
try:
 from benchworthy_agent import __version__ as v
except Exception: v=''
d={'module':binascii.hexlify(machine.unique_id()).decode(),'stand_in':bool(getattr(machine,'STAND_IN',False))}
d['firmware']=((os.uname().machine+'; ' if hasattr(os,'uname') else '')+sys.version)[:64]
d['boot']=b
d['serial']=n
d['agent']=v
print('=BP= '+json.dumps(d))
"""

# ilistdir is asked with one path at a time; 0x4000 marks a directory. A heartbeat for each 32 KiB that was hashed.
_FILES: Final = """
import os,hashlib,binascii,json
def _h(p):
 h=hashlib.sha256();n=0
 with open(p,'rb') as f:
  while True:
   b=f.read(512)
   if not b: break
   h.update(b);n+=len(b)
   if n%32768==0: print('=HB=',n)
 return n,binascii.hexlify(h.digest()).decode()
def _w(d,c):
 for e in os.ilistdir(d or '.'):
  if e[0] in ('.','..'): continue
  p=d+'/'+e[0] if d else e[0]
  if e[1]&0x4000:
   if c<8: _w(p,c+1)
   else: print('=BP= '+json.dumps([p,0,'too deep']))
  else:
   try: n,s=_h(p)
   except OSError as x: n,s=0,'unreadable'
   print('=BP= '+json.dumps([p,n,s]))
_w('',0)
print('=BP= '+json.dumps('end'))
del _w,_h
"""


class Link(Protocol):
    """What is needed of a board's link; `transport.BoardLink` is one."""

    @property
    def port(self) -> str:
        """The name of the serial port."""

    def call(self, code: str, timeout_s: float, on_line: Callable[[str], None] | None = None) -> list[str]:
        """Run code on the board, return the lines it printed. Raises BenchFailure."""

    def reply(self, text: str) -> None:
        """Answer the code that runs, from within `on_line`."""


@dataclass(frozen=True, slots=True)
class Identity:
    """Module id (hex), whether `machine` is a stand-in, firmware (64 characters at most), boot count, agent version.

    `serial` is what the board's state file says, "" without one: a hint where to look, never evidence.
    """

    module: str
    stand_in: bool
    firmware: str
    boot: int
    agent_version: str
    serial: str = ""


@dataclass(frozen=True, slots=True)
class BoardFile:
    """Size in bytes and SHA-256 in hex; in its place "unreadable", or "too deep" for a folder below eight others."""

    size: int
    sha256: str


def identity(link: Link) -> Identity:
    """Ask the module who it is. Raises BenchFailure."""
    said = _last(link, _IDENTITY, _BRIEF_S)
    try:
        return Identity(
            module=str(said["module"]).lower(),
            stand_in=bool(said["stand_in"]),
            firmware=str(said["firmware"])[:64],
            boot=_count(said["boot"]),
            agent_version=str(said["agent"])[:20],
            serial=str(said.get("serial", ""))[:24],
        )
    except (KeyError, TypeError) as fault:
        raise BoardFaulted("The board's answer about itself lacks a part.", port=link.port) from fault


def files(link: Link) -> dict[str, BoardFile]:
    """Every file below the board's current directory, sorted by path. Raises BenchFailure."""
    answers = _answers(link, _FILES, _FILES_S)
    if not answers or answers[-1] != "end":
        raise BoardFaulted("The board's list of files has no end.", port=link.port)
    found = {}
    for answer in answers[:-1]:
        if not _is_file(answer):
            raise BoardFaulted("The board's list of files is garbled.", port=link.port)
        found[answer[0]] = BoardFile(answer[1], answer[2])
    if len(found) > MOST_FILES:
        raise BoardFaulted(f"The board holds {len(found)} files, more than {MOST_FILES}.", port=link.port)
    return dict(sorted(found.items()))


def mark(link: Link, name: str) -> int:
    """Leave a mark in the board's RAM; its ticks of this moment. A board that starts anew loses both."""
    return int(_last(link, f"import time\n_bm={name!r}\nprint('{MARK}%d'%time.ticks_ms())", _BRIEF_S))


def mark_stands(link: Link, name: str, since_ms: int | None = None) -> bool:
    """Whether the mark is still there, and the board's ticks went on since."""
    later = "True" if since_ms is None else f"time.ticks_diff(time.ticks_ms(),{since_ms})>=0"
    code = f"import time\nprint('{MARK}%d'%(globals().get('_bm')=={name!r} and {later}))"
    return bool(_last(link, code, _BRIEF_S))


def set_clock(link: Link, moment: datetime) -> None:
    """Tell the board the date (UTC). Raises BenchFailure."""
    parts = (moment.year, moment.month, moment.day, moment.weekday(), moment.hour, moment.minute, moment.second, 0)
    link.call(f"import machine\nmachine.RTC().datetime({parts})\ndel machine\n", _BRIEF_S)


def code_crc(text: str) -> int:
    """CRC-32 of text as it is computed on the board after it arrived."""
    return binascii.crc32(text.encode())


def plan_hash(plan: str) -> str:
    """The name of a plan: 32 hex digits, as designs.plan computes it."""
    return hashlib.sha256(plan.encode()).hexdigest()[:32]


def _is_file(answer: Any) -> bool:
    if not isinstance(answer, list) or len(answer) != 3:
        return False
    path, size, digest = answer
    return isinstance(path, str) and isinstance(size, int) and size >= 0 and isinstance(digest, str)


def _count(value: Any) -> int:
    return value if isinstance(value, int) and not isinstance(value, bool) and value >= 0 else 0


def _last(link: Link, code: str, timeout_s: float) -> Any:
    answers = _answers(link, code, timeout_s)
    if not answers:
        raise BoardFaulted("The board gave no answer.", port=link.port)
    return answers[-1]


def _answers(link: Link, code: str, timeout_s: float) -> list[Any]:
    marked = [line[len(MARK) :] for line in link.call(code, timeout_s) if line.startswith(MARK)]
    try:
        return [json.loads(line) for line in marked]
    except (json.JSONDecodeError, RecursionError) as fault:
        raise BoardFaulted("The board's answer is garbled.", port=link.port) from fault
