"""The agent that comes with this package: version, and the SHA-256 of every file that may be on a board."""

import hashlib
import re
from dataclasses import dataclass
from functools import cache
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path

from benchworthy.designs.sheet import Driver, Sheet


@dataclass(frozen=True, slots=True)
class AgentRelease:
    """`files` maps the path on the board to SHA-256 in hex; `hash` is over all of them and names the release."""

    version: str
    files: dict[str, str]
    hash: str


def folder() -> Traversable:
    """Where the agent's sources lie: in the installed package, or in the checkout beside server/."""
    bundled = resources.files("benchworthy") / "agent_bundle"
    if bundled.is_dir():
        return bundled
    return Path(__file__).resolve().parents[3] / "agent"


def sources() -> dict[str, bytes]:
    """Path on the board to the file's bytes: the package under lib/, and main.py."""
    found = {"main.py": (folder() / "main.py").read_bytes()}
    _collect(folder() / "benchworthy_agent", "lib/benchworthy_agent", found)
    return found


def _collect(place: Traversable, path: str, found: dict[str, bytes]) -> None:
    for entry in place.iterdir():
        if entry.is_dir() and entry.name != "__pycache__":
            _collect(entry, f"{path}/{entry.name}", found)
        elif entry.name.endswith(".py"):
            found[f"{path}/{entry.name}"] = entry.read_bytes()


@cache
def current() -> AgentRelease:
    """The release that this package approves."""
    contents = sources()
    files = {path: hashlib.sha256(content).hexdigest() for path, content in sorted(contents.items())}
    version = re.search(rb'__version__ = "([^"]+)"', contents["lib/benchworthy_agent/__init__.py"])
    assert version is not None
    return AgentRelease(version[1].decode(), files, fingerprint(files))


def fingerprint(files: dict[str, str]) -> str:
    """One hash over a file list: lines of `path sha256`, sorted by path, first 32 hex digits of their SHA-256."""
    text = "".join(f"{path} {files[path]}\n" for path in sorted(files))
    return hashlib.sha256(text.encode()).hexdigest()[:32]


NO_AGENT = AgentRelease("none", {}, fingerprint({}))
"""What is approved for a board that the bench drives: no file of ours."""


def release_for(sheet: Sheet, release: AgentRelease) -> AgentRelease:
    """What a board of this design should carry, `release` being the agent that is approved for boards with one."""
    return release if sheet.driver is Driver.AGENT else NO_AGENT
