"""A second opinion on a circuit: the same elements handed to ngspice, its operating point read back.

Resistors, sources and diodes go over as ngspice's own devices. Rounded corners, regulators and transistors go over as
current formulas, so for those it is the solver that is checked, not the law.
"""

import math
import re
import shutil
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path

from benchworthy.virtual import circuit
from benchworthy.virtual.elements import GROUND, THERMAL, Branch, Element, Junction, Knee, Least, Linear

MISSING = None if shutil.which("ngspice") else "ngspice is not installed (Debian package ngspice)"
_VALUE = re.compile(r"^\s*v\((\w+)\)\s*=\s*(\S+)", re.MULTILINE | re.IGNORECASE)


def operating_point(elements: Sequence[Element], nets: Sequence[str], folder: Path) -> Mapping[str, float]:
    """Voltages over ground by net, in V. Raises RuntimeError with ngspice's words when it gives none."""
    name = {net: f"n{i}" for i, net in enumerate(nets)} | {GROUND: "0"}
    lines = ["* written by a test", ".options temp=27 tnom=27 reltol=1e-6 abstol=1e-14 vntol=1e-9 gmin=1e-15"]
    lines += [f"Rleak{i} n{i} 0 {1.0 / circuit.LEAK!r}" for i in range(len(nets))]
    for number, element in enumerate(elements):
        lines += _lines(element, number, name)
    prints = [f"print v(n{i})" for i in range(len(nets))]
    lines += [".control", "set numdgt=12", "op", *prints, "quit", ".endc", ".end"]
    deck = folder / "deck.cir"
    deck.write_text("\n".join(lines) + "\n")
    done = subprocess.run(["ngspice", "-b", deck.name], cwd=folder, capture_output=True, text=True, timeout=60, check=False)
    found = {key.lower(): float(value) for key, value in _VALUE.findall(done.stdout)}
    if len(found) != len(nets):
        raise RuntimeError(f"ngspice gave {len(found)} of {len(nets)} voltages:\n{done.stdout}\n{done.stderr}")
    return {net: found[name[net].lower()] for net in nets}


def _lines(element: Element, number: int, name: Mapping[str, str]) -> list[str]:
    if isinstance(element, Least):
        first, second = _control(element.first, name), _control(element.second, name)
        return _least(element, first, second, number, name)
    control = _control(element.branch, name)
    ends = _ends(element.branch)
    if isinstance(element, Linear):
        if ends is None:
            return _formula(element.branch, f"{element.siemens!r}*({control})", number, name)
        a, b = name[ends[0]], name[ends[1]]
        given = element.siemens * element.branch.offset
        return [f"R{number} {a} {b} {1.0 / element.siemens!r}", f"I{number} {a} {b} {given!r}"]
    if isinstance(element, Junction):
        if ends is None:
            growth = f"exp(({control})/{element.width!r})"
            return _formula(element.branch, f"{element.saturation!r}*({growth}-1)", number, name)
        emission = element.width / THERMAL
        return [
            f"D{number} {name[ends[0]]} {name[ends[1]]} model{number}",
            f".model model{number} D(IS={element.saturation!r} N={emission!r})",
        ]
    assert isinstance(element, Knee)
    rounded = _softplus(f"({control})/{element.width!r}")
    return _formula(element.branch, f"{element.width / element.ohm!r}*{rounded}", number, name)


def _least(element: Least, first: str, second: str, number: int, name: Mapping[str, str]) -> list[str]:
    """The smaller of two controls with limits, in steps of one helper net each so that no formula grows long."""
    corner, start, limit = circuit._CORNER, circuit._START_KNEE, circuit._LIMIT_KNEE
    low, begun = f"ha{number}", f"hb{number}"
    full = math.log1p(math.exp(-element.limit / limit)) + element.limit / limit
    return [
        f"B{low} {low} 0 V={first}-{corner!r}*{_softplus(f'(({first})-({second}))/{corner!r}')}",
        f"B{begun} {begun} 0 V={start!r}*{_softplus(f'v({low})/{element.ohm * start!r}')}",
        *_formula(
            element.first,
            f"{limit!r}*({full!r}-{_softplus(f'({element.limit!r}-v({begun}))/{limit!r}')})",
            number,
            name,
        ),
    ]


def _formula(branch: Branch, ampere: str, number: int, name: Mapping[str, str]) -> list[str]:
    return [
        f"B{number}x{i} {name[net]} 0 I={weight!r}*({ampere})"
        for i, (net, weight) in enumerate(branch.drains)
        if weight != 0.0 and net != GROUND
    ]


def _control(branch: Branch, name: Mapping[str, str]) -> str:
    terms = [f"({weight!r})*v({name[net]})" for net, weight in branch.senses if net != GROUND and weight != 0.0]
    return "+".join([*terms, f"({branch.offset!r})"])


def _ends(branch: Branch) -> tuple[str, str] | None:
    """The two nets of a branch that conducts between what it senses, None for any other."""
    weights = {net: weight for net, weight in branch.drains if weight != 0.0}
    if branch.drains != branch.senses or sorted(weights.values()) != [-1.0, 1.0]:
        return None
    plus = next(net for net, weight in weights.items() if weight > 0.0)
    minus = next(net for net, weight in weights.items() if weight < 0.0)
    return plus, minus


def _softplus(x: str) -> str:
    return f"(({x})>40 ? ({x}) : ln(1+exp(min({x},40))))"
