"""What such a board shows to a person: lamps, tones, the switched output. Code as in code.py, without numbers."""

from collections.abc import Mapping, Sequence
from typing import Final

from benchworthy.bench.snippets import code
from benchworthy.bench.snippets.code import Ports

_CHIRP: Final = tuple((hertz, 20) for hertz in range(800, 2000, 200))
NOTES: Final[Mapping[str, tuple[tuple[int, int], ...]]] = {
    "rising": (*_CHIRP, (0, 80)) * 5,
    "long-long": ((400, 400), (0, 150), (400, 400)),
    "dot-dash-dot": ((2000, 120), (0, 80), (2000, 360), (0, 80), (2000, 120)),
}


def blink(ports: Ports, port: str, count: int) -> str:
    """A lamp lit so often that a person can count; no numbers."""
    return f"""\
for i in range({count}):B.out({code.pin(ports, port)},1);time.sleep_ms(300);B.out({code.pin(ports, port)},0);time.sleep_ms(300)
"""


def dark(ports: Ports, names: Sequence[str], which: int) -> str:
    """All lamps of a row, then all but one; no numbers, a person looks."""
    return f"""\
P={code.pins(ports, names)}
for p in P:B.out(p,1)
time.sleep_ms(1500);B.out(P[{which - 1}],0);time.sleep_ms(2500)
"""


def tone(ports: Ports, port: str, pattern: str) -> str:
    """One of the patterns; no numbers, a person listens."""
    return f"""\
p={code.pin(ports, port)}
for f,n in {NOTES[pattern] if pattern != "rising" else f"{NOTES[pattern][: len(_CHIRP) + 1]}*5"}:
 t=time.ticks_ms()
 while time.ticks_diff(time.ticks_ms(),t)<n:
  if f:B.out(p,1);time.sleep_us(500000//f);B.out(p,0);time.sleep_us(500000//f)
B.out(p,0)
"""


def turn(ports: Ports, enable: str, order: Sequence[str], ms: int, lamp: str | None) -> str:
    """The output off and on in a given order, the lamp lit during each; no numbers, a person looks."""
    out = code.pin(ports, enable)
    lit = (f"B.out({code.pin(ports, lamp)},1);", f"B.out({code.pin(ports, lamp)},0);") if lamp else ("", "")
    return f"""\
for w in {code.packed([int(word != "off") for word in order])}:
 try:{lit[0]}B.out({out},w);time.sleep_ms({ms})
 finally:B.out({out},0)
 {lit[1]}time.sleep_ms(700)
"""
