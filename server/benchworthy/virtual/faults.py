"""Faults of a virtual board: each is an edit of its parts and nets, never of a reading."""

import re
from collections.abc import Callable, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from typing import Literal

from benchworthy.designs.parts import Part, amount
from benchworthy.errors import FaultInvalid
from benchworthy.virtual.models import MODULE_PINS

Action = Literal[
    "open", "short", "reversed", "value", "bridge", "bent", "worn", "detuned", "deaf", "noisy", "off", "holds"
]  # fmt: skip

_WHOLE: Mapping[str, Action] = {"open": "open", "short": "short", "reversed": "reversed"}
# What wears or drifts inside a part: the word for it, and the kind of part it befalls.
_INNER: Mapping[str, Action] = {"worn": "worn", "detuned": "detuned", "deaf": "deaf", "noisy": "noisy"}
_BEFALLS: Mapping[Action, str] = {
    "worn": "switch", "detuned": "module", "deaf": "module", "noisy": "module", "off": "module", "holds": "memory"
}  # fmt: skip
# aerial and crystal are parts of the module
_OF_MODULE: Mapping[str, tuple[Action, ...]] = {"ANT": ("detuned", "deaf"), "Y1": ("off",)}
_AMOUNT = re.compile(r"[0-9.]+[pnumkM]?")
_PPM = re.compile(r"(?P<sign>[+-])(?P<ppm>[0-9]{1,4})ppm")
_CLOCKS = re.compile(r"stuck(?P<clocks>[1-9]?)")
_MID_ANSWER = 5  # clocks that a memory in the middle of an answer still wants
BRIDGE_OHM = 0.02  # a blob of solder
_WITH_VALUE = frozenset({"resistor", "capacitor", "fuse", "sounder", "regulator", "reference", "source"})
_TWO_ROWS = frozenset({"mux8", "hbridge", "module"})  # two rows of pins: turning is half a turn, not a mirror
_NET = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_REF = re.compile(r"(?:[A-Za-z0-9-]+:)?[A-Z]+[0-9]+")  # a fixture's parts are written with its name, TP-4:PR1
_PIN = re.compile(rf"(?P<ref>{_REF.pattern})\.(?P<pin>[1-9][0-9]?)")


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault as written: what happens, to which part, pin or net (`other`: the second end of a bridge).

    `value` is in SI units for the actions `value` and `bridge`, in a million parts for `off`, clocks for `holds`.
    """

    text: str
    action: Action
    target: str
    other: str = ""
    value: float | None = None

    def touches(self, refs: Set[str]) -> bool:
        """Whether it needs one of these parts."""
        return any(end in refs or end.rpartition(".")[0] in refs for end in (self.target, self.other))


def parse(text: str) -> Fault:
    """One fault, such as `R17=open`, `R17=100k`, `U2.1-U2.2=bridge`, `J4.2=bent`. Raises FaultInvalid.

    A leak is a bridge with a value, `S1A-GND=47k`. Beside what soldering does: `SW1=worn`, `ANT=detuned` or `deaf`,
    `Y1=+200ppm` (aerial and crystal of the module), `U5=noisy` (its converter's supply), and `TP-4:PU2=stuck` (a
    memory that hangs in an answer for five clocks; `stuck9` for nine).
    """
    target, equals, what = text.strip().partition("=")
    if not equals or not target or not what:
        raise FaultInvalid(f"{text!r} is no fault: it has not one name, one = and what happened.")
    if what == "bridge":
        return _parsed_bridge(text, target, None)
    if _PIN.fullmatch(target):
        if what not in ("bent", "open"):
            raise FaultInvalid(f"{text!r}: a single pin can be bent or open, not {what!r}.")
        return Fault(text.strip(), "bent", target)
    inner = _parsed_inner(text.strip(), target, what)
    if inner is not None:
        return inner
    if "-" in target and not _REF.fullmatch(target) and _AMOUNT.fullmatch(what):
        return _parsed_bridge(text, target, _parsed_value(text, what))
    if not _REF.fullmatch(target):
        raise FaultInvalid(f"{text!r}: {target!r} is neither a part, such as R17, nor a pin, such as J4.2.")
    if what == "bent":
        raise FaultInvalid(f"{text!r}: only a pin bends; name it, such as {target}.2=bent.")
    if what in _WHOLE:
        return Fault(text.strip(), _WHOLE[what], target)
    return Fault(text.strip(), "value", target, value=_parsed_value(text, what))


def apply(fault: Fault, parts: Sequence[Part]) -> list[Part]:
    """The parts with the fault in them. Raises FaultInvalid when it does not fit these parts."""
    if fault.action == "bridge":
        nets = (_net(fault, fault.target, parts), _net(fault, fault.other, parts))
        if nets[0] == nets[1]:
            raise FaultInvalid(f"{fault.text!r}: both ends are the net {nets[0]} already.")
        return [*parts, _blob(fault, nets, fault.value or BRIDGE_OHM)]
    if fault.action == "bent":
        ref, pin = fault.target.rsplit(".", 1)
        return _edited(fault, ref, parts, lambda part: _lifted(fault, part, int(pin)))
    if fault.action == "short":
        part = _found(fault, fault.target, parts)
        _two_pins(fault, part)
        return [*parts, _blob(fault, part.nets, BRIDGE_OHM)]
    if fault.action in _BEFALLS:
        return _befallen(fault, parts)
    edits: dict[str, Callable[[Part], Part]] = {
        "open": _removed,
        "reversed": _turned,
        "value": lambda part: _valued(fault, part),
    }
    return _edited(fault, fault.target, parts, edits[fault.action])


def _parsed_inner(text: str, target: str, what: str) -> Fault | None:
    """What happens inside a part, None if the words say something else."""
    if what in _INNER:
        return Fault(text, _INNER[what], target)
    if match := _PPM.fullmatch(what):
        return Fault(text, "off", target, value=float(match["sign"] + match["ppm"]))
    if match := _CLOCKS.fullmatch(what):
        return Fault(text, "holds", target, value=float(match["clocks"] or _MID_ANSWER))
    return None


def _befallen(fault: Fault, parts: Sequence[Part]) -> list[Part]:
    ref = fault.target
    if fault.action in _OF_MODULE.get(ref, ()):
        ref = next((part.ref for part in parts if part.kind == "module"), ref)
    kind = _BEFALLS[fault.action]
    part = _found(fault, ref, parts)
    if part.kind != kind:
        raise FaultInvalid(f"{fault.text!r}: that befalls a {kind}, and {ref} is a {part.kind}.")
    word = "ppm" if fault.action == "off" else fault.action
    value = 1.0 if fault.value is None else fault.value
    return [replace(each, model={**each.model, word: value}) if each is part else each for each in parts]


def _parsed_bridge(text: str, target: str, ohm: float | None) -> Fault:
    ends = target.split("-")  # the parts of a bridge are the board's own, so no fixture's name is in the way
    if len(ends) != 2 or not all(_PIN.fullmatch(end) or _NET.fullmatch(end) for end in ends):
        raise FaultInvalid(f"{text!r}: a bridge joins two ends, each a pin, such as U2.1, or a net, such as V5.")
    return Fault(text.strip(), "bridge", ends[0], ends[1], ohm)


def _parsed_value(text: str, what: str) -> float:
    try:
        value = amount(what)
    except ValueError as error:
        raise FaultInvalid(f"{text!r}: {what!r} is neither open, short, reversed, bridge, bent nor a value.") from error
    if value <= 0.0:
        raise FaultInvalid(f"{text!r}: a value is above zero; write short for none.")
    return value


def _found(fault: Fault, ref: str, parts: Sequence[Part]) -> Part:
    for part in parts:
        if part.ref == ref:
            return part
    raise FaultInvalid(f"{fault.text!r}: there is no part {ref} on this board or in what is plugged into it.")


def _edited(fault: Fault, ref: str, parts: Sequence[Part], edit: Callable[[Part], Part]) -> list[Part]:
    found = _found(fault, ref, parts)
    return [edit(part) if part is found else part for part in parts]


def _net(fault: Fault, end: str, parts: Sequence[Part]) -> str:
    if match := _PIN.fullmatch(end):
        part = _found(fault, match["ref"], parts)
        _has_pin(fault, part, int(match["pin"]))
        return part.nets[int(match["pin"]) - 1]
    if any(end in part.nets for part in parts):
        return end
    module = next((part for part in parts if part.kind == "module"), None)
    if module is not None and end in MODULE_PINS:
        return module.nets[MODULE_PINS[end] - 1]
    raise FaultInvalid(f"{fault.text!r}: there is no net {end}.")


def _blob(fault: Fault, nets: tuple[str, ...], ohm: float) -> Part:
    return Part(ref=fault.text, kind="resistor", value=ohm, tolerance=0.0, nets=nets)


def _lifted(fault: Fault, part: Part, pin: int) -> Part:
    _has_pin(fault, part, pin)
    return replace(part, nets=tuple(_loose(part, i) if i == pin else net for i, net in enumerate(part.nets, 1)))


def _removed(part: Part) -> Part:
    """A part that is open or missing keeps its place in the list, with every pin in the air."""
    return replace(part, nets=tuple(_loose(part, i) for i in range(1, len(part.nets) + 1)))


def _loose(part: Part, pin: int) -> str:
    return f"{part.ref}.{pin}~"


def _turned(part: Part) -> Part:
    if part.kind in _TWO_ROWS:
        half = len(part.nets) // 2
        return replace(part, nets=part.nets[half:] + part.nets[:half])
    model = {**part.model, "turned": 1.0} if part.model.get("polar") else part.model
    return replace(part, nets=part.nets[::-1], model=model)


def _valued(fault: Fault, part: Part) -> Part:
    if part.kind not in _WITH_VALUE:
        raise FaultInvalid(f"{fault.text!r}: a {part.kind} has no value to change; {', '.join(sorted(_WITH_VALUE))} have.")
    return replace(part, value=fault.value)


def _two_pins(fault: Fault, part: Part) -> None:
    if len(part.nets) != 2:
        raise FaultInvalid(f"{fault.text!r}: {part.ref} has {len(part.nets)} pins; name the two that are bridged.")


def _has_pin(fault: Fault, part: Part, pin: int) -> None:
    if pin > len(part.nets):
        raise FaultInvalid(f"{fault.text!r}: {part.ref} has {len(part.nets)} pins.")
