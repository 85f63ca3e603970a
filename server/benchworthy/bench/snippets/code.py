"""One short piece of code for each procedure, in the Python of MicroPython 1.9, for boards whose firmware has `beck`.

A board has 9 kB of heap, so each piece is a few hundred characters and leaves nothing behind: names are one letter, pins
are numbers, and what can be computed on the host is not computed there. `B` is the firmware's module (docs/reference/beck.md),
`O` prints a row of numbers. Every piece ends by bringing all pins to rest, also when
it is interrupted; what drives an output ends by itself before that.
"""

from collections.abc import Mapping, Sequence
from typing import Any, Final

Ports = Mapping[str, Sequence[Any]]

# Between statements, where a piece of code is cut: each part is sent, checked and run for itself, so none needs much memory.
CUT: Final = "##\n"

# Resident for the run. `O` prints number by number as they come, so a row of 256 needs no list and no text of its own; `R`
# runs the parts of a piece in names of their own, which go with it.
HELPERS: Final = f"""\
import gc,time
import beck as B
def O(r):
 global L
 L+=1;h=n=0
 print('=BS=',end=' ')
 for v in r:
  h=(h*33+v)&16777215;n+=1
  print(v,end=' ')
 print(n,h)
{CUT}def R(t):
 global L
 L=0
 g={{'B':B,'O':O,'time':time}}
 try:
  for i in range(len(t)):exec(t.pop(i),g)
  print('=BE=',L)
 except B.NotHere as e:
  e=str(e);print();print('=BN=',len(e),e)
 finally:
  B.rest();gc.collect()
"""
_PULLS: Final = {"up": 1, "down": -1, None: 0}


def levels(ports: Ports, steps: Sequence[Mapping[str, Any]]) -> str:
    """Conversions, after setting outputs and pulls as each step says."""
    rows = [
        (
            tuple((pin(ports, port), level) for port, level in sorted(step.get("set", {}).items())),
            tuple((pin(ports, port), _PULLS[pull]) for port, pull in sorted(step.get("pull", {}).items())),
            pin(ports, step["read"]),
            int(step["n"]),
            int(step.get("every_us", 0)),
        )
        for step in steps
    ]
    return f"""\
T={packed(rows)}
def c(p,n,w):
 for i in range(n):
  yield B.code(p)
  time.sleep_us(w)
{CUT}for d,u,p,n,w in T:
 for a,b in d:B.out(a,b)
 for a,b in u:B.level(a,b)
 time.sleep_ms(5);B.code(p);O(c(p,n,w))
"""


def idle(ports: Ports, names: Sequence[str], pull: str, count: int, every_ms: int) -> str:
    """Lines that nobody should drive, against the controller's own pulls."""
    return f"""\
def c(p):
 for i in range({count}):
  time.sleep_ms({every_ms})
  yield B.read(p)
P={pins(ports, names)}
for p in P:B.level(p,{_PULLS[pull]})
for p in P:O(c(p))
"""


def walk(ports: Ports, names: Sequence[str], off: Sequence[str]) -> str:
    """Each pin driven alone against the pulls of all others; one mask for each step."""
    return f"""\
P={pins(ports, names)}
r=[]
def m(d,l,u):
 for p in P:
  if p!=d:B.level(p,u)
 if d>=0:B.out(d,l)
 time.sleep_ms(1);v=0
 for i in range(len(P)):v|=B.read(P[i])<<i
 r.append(v)
{CUT}for p in {pins(ports, off)}:B.out(p,0)
m(-1,0,1);m(-1,0,-1)
for p in P:m(p,1,-1);m(p,0,1)
O(r)
"""


# One row of conversions, ended by their number or by the time that the output may be driven.
_ROW: Final = """\
def c():
 t=time.ticks_ms()
 for i in range({n}):
  if time.ticks_diff(time.ticks_ms(),t)<{ms}:
   yield B.code({read})
   time.sleep_us({every_us})
"""


def switched(ports: Ports, a: Mapping[str, Any]) -> str:
    """The current into a load: output low, then high for a moment."""
    out = pin(ports, a["out"])
    return (
        _row(ports, a)
        + f"""\
{CUT}{_base(ports, a)}
try:
 B.out({out},1);time.sleep_ms(2);O(c())
finally:B.out({out},0)
"""
    )


def portions(ports: Ports, a: Mapping[str, Any]) -> str:
    """The current into a load when the output is switched fast, for a row of duties."""
    out = pin(ports, a["out"])
    return (
        _row(ports, a)
        + f"""\
{CUT}{_base(ports, a)}
for d in {packed(a["permille"])}:
 try:
  B.duty({out},{a["hertz"]},d);time.sleep_ms(5);O(c())
 finally:B.out({out},0)
"""
    )


def _row(ports: Ports, a: Mapping[str, Any]) -> str:
    return _ROW.format(read=pin(ports, a["read"]), n=a["n"], ms=a["ms"], every_us=a["every_us"])


def _base(ports: Ports, a: Mapping[str, Any]) -> str:
    """The row with the output low; the converter is asked once before anything is driven."""
    return f"B.code({pin(ports, a['read'])});B.out({pin(ports, a['out'])},0);time.sleep_ms(2);O(c())"


def bus_clear(ports: Ports, data: str, clock: str) -> str:
    """Nine clocks at most and a stop, if the data line is low; 10 when they did not help."""
    return f"""\
d={pin(ports, data)};c={pin(ports, clock)};k=0
def w():time.sleep_us(10)
if not B.level(d,0):
 for k in range(1,11):
  if k>9:break
  B.out(c,0);w();B.level(c,0);w()
  if B.level(d,0):break
 B.out(c,0);w();B.out(d,0);w();B.level(c,0);w();B.level(d,0)
O([k])
"""


def bus_scan(ports: Ports, data: str, clock: str, hertz: int) -> str:
    """How many addresses answer, the lowest and the highest."""
    return f"""\
s=sorted(B.scan({pin(ports, data)},{pin(ports, clock)},{hertz})) or [0]
O([len(s) if s[0] else 0,s[0],s[-1]])
"""


ROW: Final = 32  # bytes of the plug's memory in one line


def bus_memory(ports: Ports, a: Mapping[str, Any]) -> str:
    """The plug's memory, read again and again; a row that does not answer is empty."""
    return f"""\
for h in {packed(a["hertz"])}:
 for i in range({a["times"]}):
  for k in range(0,{a["size"]},{ROW}):
   try:r=B.memory({pin(ports, a["data"])},{pin(ports, a["clock"])},h,{a["address"]},k,{ROW})
   except OSError:r=[]
   O(r)
"""


# The mark is the free memory before the bench puts anything else there; a reset takes it away.
MARK: Final = """\
import gc
_t=_u=0
gc.collect();_bm=gc.mem_free()
print('=BS=',_bm,1,_bm&16777215)
print('=BE=',1)
"""
MEMORY_FREE: Final = """\
import gc
gc.collect();r=globals().get('_bm') or gc.mem_free()
print('=BS=',r,1,r&16777215)
print('=BE=',1)
"""
# Needs no module of the firmware: after a reset that may be the very thing that is gone.
MARK_GONE: Final = """\
r=int(not globals().get('_bm'))
print('=BS=',r,1,r)
print('=BE=',1)
"""

SCRATCH: Final = "bench.tmp"
_BLOCK: Final = 64


def flash(size: int) -> str:
    """Write a pattern to a file, read it back and delete it: the bytes that found room, and those that came back wrong."""
    return f"""\
import os
b=bytes(range({_BLOCK}));n=x=0
f=open('{SCRATCH}','wb')
try:
 for i in range({size // _BLOCK}):n+=f.write(b)
except OSError:pass
f.close()
{CUT}f=open('{SCRATCH}','rb')
for i in range(n):
 v=f.read(1)
 if not v or v[0]!=i%{_BLOCK}:x+=1
f.close();os.remove('{SCRATCH}');O([n,x])
"""


def presses(ports: Ports, port: str, lamp: str, count: int, ms: int) -> str:
    """The bounce of each press in microseconds, until it has been quiet for 20 ms; then how many presses there were."""
    return f"""\
k={pin(ports, port)};r=[];u=time.ticks_us
def D(t):return time.ticks_diff(time.ticks_ms(),t)
def b():
 global q
 a=z=u()
 while time.ticks_diff(u(),z)<20000 and D(t)<{ms}:
  w=B.read(k)
  if w!=q:q=w;z=u()
 return time.ticks_diff(z,a)
{CUT}B.out({pin(ports, lamp)},1);q=B.level(k,0);t=s=time.ticks_ms()
while len(r)<{count} and D(t)<{ms}:
 if D(s)>2000:s=time.ticks_ms();print('=HB=')
 v=B.read(k)
 if v!=q:
  q=v;w=b()
  if not v:r.append(w)
O(r or [0]);O([len(r)])
"""


# Bare, as it comes before the mark.
IDENTITY: Final = f"""\
import os,sys
import beck as B
r=(B.unique(),[ord(c) for c in (os.uname()[4]+'; '+sys.version)[:64]],[int(getattr(B,'STAND_IN',0))])
{CUT}for r in r:
 h=0
 print('=BS=',end=' ')
 for v in r:
  h=(h*33+v)&16777215
  print(v,end=' ')
 print(len(r),h)
r=0
print('=BE=',3)
"""
# A name, its content in rows, an empty row.
FILES: Final = """\
import os
for n in os.listdir():
 O([ord(c) for c in n])
 f=open(n,'rb')
 while 1:
  b=f.read(48)
  if not b:break
  O(b)
 f.close();O([])
"""


def echo(pieces: int, piece: int) -> str:
    """Take text from the serial port and give it back, piece by piece."""
    return f"""\
print('=BA=')
for i in range({pieces}):print(str(B.take({piece},500),'utf8'))
"""


def clock(stamps: int, seconds: int) -> str:
    """Stamps of the board's clock when asked for them, twice, some seconds apart."""
    return f"""\
def p():
 print('=BA=')
 for i in range({stamps}):
  B.take(1,2000);O([time.ticks_us()])
p()
for i in range({seconds}):time.sleep_ms(1000);print('=HB=')
p()
"""


def pin(ports: Ports, name: str) -> int:
    """The controller's number of a port."""
    return int(ports[name][0])


def pins(ports: Ports, names: Sequence[str]) -> str:
    """Numbers of ports as a tuple in code."""
    return packed([pin(ports, name) for name in names])


def packed(values: Sequence[Any]) -> str:
    """Python's own notation without spaces: every character costs the board memory."""
    return repr(tuple(values)).replace(" ", "")
