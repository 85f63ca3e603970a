"""The agent onto a board, over the raw REPL.

An uploader of its own instead of the tool's file copy: each file goes over in small pieces into a new file, is hashed on
the board and only then takes the old one's place; a file that is there already is not sent; every step is bounded, and
nothing resets the board.
"""

import base64
import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, Protocol

from benchworthy.bench import probe
from benchworthy.bench.probe import BoardFile, Link
from benchworthy.errors import BoardFaulted, BoardLost, BoardSilent, InstallFailed

STATE, SECRETS, MAIN = "state.json", "secrets.json", "main.py"
_KEPT: Final = frozenset({STATE, SECRETS})
_SPOOL: Final = "spool/"  # reports that still wait for their receipt
_NEW: Final = ".new"  # ends the name of a file that is being written
_PIECE: Final = 768
_CALL_S: Final = 15.0
_RESTART_S: Final = 3.0

_BEGIN: Final = """
import os,binascii,hashlib
def _m(p):
 for i in range(1,len(p)):
  if p[i]=='/':
   try: os.mkdir(p[:i])
   except OSError: pass
def _r(a,b):
 try: os.rename(a,b)
 except OSError:
  os.remove(b)
  os.rename(a,b)
def _x(p):
 try: os.remove(p)
 except OSError: pass
"""
_OPEN: Final = "_m({path!r})\n_f=open({new!r},'wb')\n_s=hashlib.sha256()"
_PUT: Final = "_b=binascii.a2b_base64('{text}')\n_f.write(_b)\n_s.update(_b)"
# Read again from the file: what counts is what the flash gives back.
_CLOSE: Final = """
_f.close()
_s=hashlib.sha256()
with open({new!r},'rb') as _f:
 while True:
  _b=_f.read(512)
  if not _b: break
  _s.update(_b)
if binascii.hexlify(_s.digest()).decode()!={sha256!r}: raise ValueError('written otherwise than sent')
_r({new!r},{path!r})
"""


class AgentSource(Protocol):
    """Where the agent comes from; `client.Service` is one."""

    def fetch(self, path: str) -> bytes:
        """A file below the service's start page."""


@dataclass(frozen=True, slots=True)
class Release:
    """The agent as the service gives it out: `files` by path on the board."""

    version: str
    hash: str
    files: Mapping[str, bytes]


@dataclass(frozen=True, slots=True)
class Installed:
    """What was done: files written, files that were right already, files that do not belong, and those removed."""

    written: tuple[str, ...]
    kept: int
    strangers: tuple[str, ...]
    removed: tuple[str, ...]
    boot: int


def fetch_release(source: AgentSource) -> Release:
    """Every file of the agent, each checked against the hash in its address. Raises InstallFailed."""
    try:
        package = json.loads(source.fetch("/agent/package.json"))
        places = {f"lib/{path}": place for path, place in package["urls"]} | dict([package["main"]])
        files = {path: source.fetch(f"/agent/{place}") for path, place in places.items()}
        wrong = [path for path, place in places.items() if hashlib.sha256(files[path]).hexdigest() != place.split("/")[1]]
        if wrong:
            raise InstallFailed(f"The service gave another file than it announced: {', '.join(sorted(wrong))}.")
        return Release(str(package["version"]), str(package["release"]), files)
    except (ValueError, KeyError, TypeError, AttributeError, IndexError) as fault:
        raise InstallFailed("The service's list of the agent's files is not one.") from fault


def install(
    link: Link,
    release: Release,
    state: Mapping[str, Any],
    secrets: Mapping[str, Any] | None = None,
    clean: bool = False,
    say: Callable[[str], None] = lambda text: None,
) -> Installed:
    """Write the agent, the state file and nothing else, then read every hash back.

    `state` holds serial, epoch and key; the boot counter goes on. `secrets` are passwords that this board may keep, None
    takes any away. Without `clean`, files that do not belong stay and are named. main.py goes last: a board that loses
    power on the way starts as before. Raises InstallFailed, BenchFailure.
    """
    before = probe.files(link)
    boot = probe.identity(link).boot
    link.call(_BEGIN, _CALL_S)
    written = []
    for path in sorted(release.files, key=lambda path: (path == MAIN, path)):
        if before.get(path) != _as_file(release.files[path]):
            _write(link, path, release.files[path])
            written.append(path)
            say(f"  {path}")
    strangers = tuple(path for path in before if not _belongs(path, release))
    removed = strangers if clean else ()
    for path in removed:
        _remove(link, path)
    own = {STATE: _json({**state, "boot": boot})} | ({} if secrets is None else {SECRETS: _json(secrets)})
    for path, octets in own.items():
        _write(link, path, octets)
    half_written = [path for path in before if path.endswith(_NEW) and _belongs(path.removesuffix(_NEW), release)]
    for path in [*half_written, *([SECRETS] if secrets is None else [])]:
        _remove(link, path)
    link.call("del _m,_r,_x\nglobals().pop('_b',None)\nglobals().pop('_f',None)", _CALL_S)
    _read_back(probe.files(link), release, own, removed)
    return Installed(tuple(written), len(release.files) - len(written), strangers, removed, boot)


def restart(link: Link) -> None:
    """Start the board anew, which empties its RAM; it does not answer this."""
    try:
        link.call("import machine\nmachine.reset()", _RESTART_S)
    except (BoardSilent, BoardLost):
        return


def _belongs(path: str, release: Release) -> bool:
    return path.removesuffix(_NEW) in {*release.files, *_KEPT} or path.startswith(_SPOOL)


def _write(link: Link, path: str, octets: bytes) -> None:
    new = path + _NEW
    try:
        link.call(_OPEN.format(path=path, new=new), _CALL_S)
        for start in range(0, len(octets), _PIECE):
            text = base64.b64encode(octets[start : start + _PIECE]).decode()
            link.call(_PUT.format(text=text), _CALL_S)
        link.call(_CLOSE.format(new=new, path=path, sha256=hashlib.sha256(octets).hexdigest()), _CALL_S)
    except BoardFaulted as fault:
        # The board's own words only: what was being written may be a secret.
        raise InstallFailed(f"{path} could not be written: {fault.detail}", path=path) from None


def _remove(link: Link, path: str) -> None:
    link.call(f"_x({path!r})", _CALL_S)


def _as_file(octets: bytes) -> BoardFile:
    return BoardFile(len(octets), hashlib.sha256(octets).hexdigest())


def _json(values: Mapping[str, Any]) -> bytes:
    return json.dumps(dict(values), separators=(",", ":")).encode()


def _read_back(after: Mapping[str, BoardFile], release: Release, own: Mapping[str, bytes], removed: tuple[str, ...]) -> None:
    wanted = {**release.files, **own}
    wrong = sorted(path for path, octets in wanted.items() if after.get(path) != _as_file(octets))
    still = sorted(path for path in (*removed, SECRETS) if path in after and path not in own)
    if wrong or still:
        parts = [f"not as written: {', '.join(wrong[:5])}"] if wrong else []
        parts += [f"still there: {', '.join(still[:5])}"] if still else []
        raise InstallFailed(f"Read back from the board, {'; '.join(parts)}.", wrong=wrong, still=still)
