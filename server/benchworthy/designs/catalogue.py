"""The designs that come with the package, by name."""

import json
from functools import cache
from importlib import resources
from typing import Any

from benchworthy.designs.loading import load
from benchworthy.designs.sheet import Sheet
from benchworthy.errors import UnknownDesign


def names() -> tuple[str, ...]:
    """The names of all designs, in order."""
    files = resources.files("benchworthy.designs.library").iterdir()
    return tuple(sorted(file.name[:-5] for file in files if file.name.endswith(".toml")))


@cache
def find(name: str) -> Sheet:
    """The sheet of a design by its name. Raises UnknownDesign."""
    if name not in names():
        raise UnknownDesign(f"There is no design {name!r}.", design=name, known=list(names()))
    text = (resources.files("benchworthy.designs.library") / f"{name}.toml").read_text()
    return load(text, patterns(name))


def patterns(name: str) -> Any:
    """What was computed from the circuit of a design; empty where nothing was."""
    computed = resources.files("benchworthy.designs.library") / f"{name}.computed.json"
    return json.loads(computed.read_text())["patterns"] if computed.is_file() else {}
