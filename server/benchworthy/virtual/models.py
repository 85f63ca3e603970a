"""How parts conduct: each kind of part as a few elements between its nets.

A part's own constants come from the sheet; those written here are the model's own choice, from no data sheet.
"""

import functools
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from benchworthy.designs.parts import Part
from benchworthy.virtual.elements import (
    Element,
    Knee,
    Linear,
    between,
    diode,
    follower,
    push_pull,
    regulator,
    resistor,
    source,
    transistor,
)

# Package pin of each GPIO of the 40-pin module.
MODULE_PINS = {
    f"GP{gpio}": pin
    for gpio, pin in zip(
        (*range(23), 26, 27, 28),
        (1, 2, 4, 5, 6, 7, 9, 10, 11, 12, 14, 15, 16, 17, 19, 20, 21, 22, 24, 25, 26, 27, 29, 31, 32, 34),
        strict=True,
    )
}
CONTACT_OHM = 0.02
_CLOSED_OHM = 0.02  # a pressed key, a jumper's bridge
_FOLLOWER_OWN = 10e3  # what a follower itself draws from its supply
_HOLD_OHM = 50.0  # an open-drain output that is low
_TURNED_OHM = 180.0  # an electrolytic the wrong way round; own choice
_CAPACITOR_OHM = 1e9
_BODY_IS, _BODY_N = 1e-12, 1.0  # the parasitic diode of a regulator, out to in
_QUIESCENT_AT = 7.0  # V: a regulator's own current is given at this supply
_LEAK_AT = 3.3  # V: the multiplexer's leakage
_CLAMP_IS, _CLAMP_N = 1e-14, 1.0  # the diodes from every pin of the module to its rail and from ground
_BRIDGE_AT = 5.0  # V: and the bridge's at this one
MUX_CHANNELS = (13, 14, 15, 12, 1, 5, 2, 4)  # package pins of channels 0..7 (74HC4051)
MUX_COMMON, MUX_INHIBIT, MUX_GROUND, MUX_SUPPLY, MUX_SELECT = 3, 6, 8, 16, (11, 10, 9)
HALVES = ((1, 2, 3), (1, 7, 6), (9, 10, 11), (9, 15, 14))  # enable, input, output pins (L293D)
# The plug's own switch: common, inputs 0..3, select lines, ground, supply.
SWITCH_COMMON, SWITCH_INPUTS, SWITCH_SELECT, SWITCH_GROUND, SWITCH_SUPPLY = 1, (2, 3, 4, 5), (6, 7), 8, 9
BRIDGE_GROUND, BRIDGE_MOTOR, BRIDGE_LOGIC = (4, 5, 12, 13), 8, 16
MODULE_GROUND, MODULE_RAIL, MODULE_VSYS, MODULE_VBUS = (3, 8, 13, 18, 23, 28, 33, 38), 36, 39, 40
_OUTER = re.compile(r"(J[0-9]+)\.([0-9]+)")


@dataclass(frozen=True, slots=True)
class PinState:
    """What the program made of a pin. `level` is 0..1; between them it is a duty, seen as its mean."""

    mode: Literal["in", "out"] = "in"
    pull: Literal["none", "up", "down"] = "none"
    level: float = 0.0


def net_at(part: Part, pin: int) -> str:
    """The net at a pin of the package, counted from 1."""
    return part.nets[pin - 1]


def _value(part: Part) -> float:
    if part.value is None:
        raise ValueError(f"{part.ref} is a {part.kind} and needs a value")
    return part.value


def joined(part: Part, pins: Sequence[int]) -> tuple[str, list[Linear]]:
    """One net for pins that the package joins inside; a thin wire to each where a fault has set them apart."""
    nets = _first(part.nets, tuple(pins))
    return nets[0], [resistor(nets[0], other, _CLOSED_OHM) for other in nets[1:]]


@functools.cache
def _first(nets: tuple[str, ...], pins: tuple[int, ...]) -> tuple[str, ...]:
    return tuple(sorted({nets[pin - 1] for pin in pins}))


def elements(part: Part, pressed: frozenset[str]) -> list[Element]:
    """What one part puts between its nets, its logic apart. Raises ValueError for a kind without a model."""
    if part.kind == "switch":
        a, b = part.nets
        return [resistor(a, b, _CLOSED_OHM)] if part.ref in pressed else []
    if part.kind not in _BUILDERS:
        raise ValueError(f"{part.ref}: the virtual board has no model of the kind {part.kind!r}")
    return _BUILDERS[part.kind](part)


def _resistance(part: Part) -> list[Element]:
    a, b = part.nets
    return [resistor(a, b, _value(part))]


def _capacitor(part: Part) -> list[Element]:
    a, b = part.nets
    return [resistor(a, b, _TURNED_OHM if part.model.get("turned") else _CAPACITOR_OHM)]


def _diode(part: Part) -> list[Element]:
    anode, cathode = part.nets
    return [diode(anode, cathode, part.model["Is"], part.model["n"])]


def _source(part: Part) -> list[Element]:
    plus, minus = part.nets
    return [source(plus, minus, _value(part), part.model["series"])]


def _regulator(part: Part) -> list[Element]:
    m = part.model
    supply, ground, out = (net_at(part, int(m.get(f"pin_{name}", pin))) for name, pin in (("in", 1), ("ground", 2), ("out", 3)))
    return [
        regulator(supply, ground, out, _value(part), m["drop"], m["rout"], m["limit"]),
        resistor(supply, ground, _QUIESCENT_AT / m["quiescent"]),
        resistor(out, ground, m["back"]),
        diode(out, supply, _BODY_IS, _BODY_N),
    ]


def _reference(part: Part) -> list[Element]:
    """Conducts `i0` at its value; the corner of the curve lies where the rounding makes that so."""
    cathode, anode = part.nets
    m = part.model
    corner = _value(part) - m["s"] * math.log(math.expm1(m["i0"] * m["r"] / m["s"]))
    knee = Knee(between(cathode, anode, -corner), m["r"], m["s"])
    return [knee, diode(anode, cathode, m["Is"], m["n"])]


def _transistor(part: Part) -> list[Element]:
    e, b, c = part.nets
    return [*transistor(e, b, c, part.model["Is"], part.model["bf"], part.model["br"])]


def _jumper(part: Part) -> list[Element]:
    """Three pins, the middle one common; position 1 joins it to the first, 2 to the last."""
    first, common, last = part.nets
    return [resistor(common, first if part.model["position"] == 1.0 else last, _CLOSED_OHM)]


def _selector(part: Part) -> list[Element]:
    """A switch that a person turns: its first pin is joined to the one of the position, counted from 1."""
    return [resistor(net_at(part, 1), net_at(part, 1 + int(part.model["position"])), _CLOSED_OHM)]


def _motor(part: Part) -> list[Element]:
    """Winding, then what turning costs; between the two stands the voltage that turning makes (see dynamics)."""
    a, b, inner = part.nets
    return [resistor(a, inner, part.model["winding"]), resistor(inner, b, part.model["friction"])]


def _switch4(part: Part) -> list[Element]:
    common = net_at(part, SWITCH_COMMON)
    return [resistor(common, net_at(part, pin), part.model["roff"]) for pin in SWITCH_INPUTS]


def _follower(part: Part) -> list[Element]:
    given, out, supply, ground = part.nets
    own = resistor(supply, ground, _FOLLOWER_OWN)
    return [*follower(given, out, supply, ground, _value(part), part.model["rout"]), own]


def _mux8(part: Part) -> list[Element]:
    common, supply = net_at(part, MUX_COMMON), net_at(part, MUX_SUPPLY)
    # what leaks into the common pin comes from the supply, and grows with it
    leak = resistor(supply, common, _LEAK_AT / part.model["leak"])
    return [leak, *(resistor(common, net_at(part, pin), part.model["roff"]) for pin in MUX_CHANNELS)]


def _hbridge(part: Part) -> list[Element]:
    m, motor = part.model, net_at(part, BRIDGE_MOTOR)
    ground, wires = joined(part, BRIDGE_GROUND)
    out: list[Element] = [*wires, resistor(net_at(part, BRIDGE_LOGIC), ground, _BRIDGE_AT / m["iq_off"])]
    for _, _, pin in HALVES:
        out.append(diode(net_at(part, pin), motor, m["Is"], m["n"]))
        out.append(diode(ground, net_at(part, pin), m["Is"], m["n"]))
    return out


def bridge_halves(part: Part, bits: tuple[int, ...]) -> list[Element]:
    """What the halves that are on conduct: from the motor supply when high, to the driver's ground when low."""
    m, motor, ground = part.model, net_at(part, BRIDGE_MOTOR), joined(part, BRIDGE_GROUND)[0]
    out: list[Element] = []
    for (_, _, pin), state in zip(HALVES, bits, strict=True):
        if state:
            upper, lower = (motor, net_at(part, pin)) if state == 2 else (net_at(part, pin), ground)
            out.append(Knee(between(upper, lower, -m["v0"]), m["r"], m["s"]))
            out.append(resistor(net_at(part, BRIDGE_LOGIC), ground, _BRIDGE_AT / m["iq_on"]))
    return out


def _module(part: Part) -> list[Element]:
    m, rail, vsys = part.model, net_at(part, MODULE_RAIL), net_at(part, MODULE_VSYS)
    ground, wires = joined(part, MODULE_GROUND)
    return [
        *wires,
        regulator(vsys, ground, rail, _value(part), m["drop"], m["rout"], m["limit"]),
        diode(rail, vsys, _BODY_IS, _BODY_N),
        diode(net_at(part, MODULE_VBUS), vsys, m["Is"], m["n"]),
        resistor(rail, ground, 3.3 / m["load"]),
        *(resistor(net_at(part, pin), ground, m["rin"]) for pin in MODULE_PINS.values()),
        *(diode(net_at(part, pin), rail, _CLAMP_IS, _CLAMP_N) for pin in MODULE_PINS.values()),
        *(diode(ground, net_at(part, pin), _CLAMP_IS, _CLAMP_N) for pin in MODULE_PINS.values()),
    ]


def _memory(part: Part) -> list[Element]:
    """It draws next to nothing; one that hangs in the middle of an answer holds the data line down."""
    ground, _, data, _ = part.nets
    return [resistor(data, ground, _HOLD_OHM)] if part.model.get("holds") else []


def _nothing(_: Part) -> list[Element]:
    return []


_BUILDERS: Mapping[str, Callable[[Part], list[Element]]] = {
    "resistor": _resistance,
    "fuse": _resistance,
    "sounder": _resistance,
    "capacitor": _capacitor,
    "diode": _diode,
    "lamp": _diode,
    "source": _source,
    "regulator": _regulator,
    "reference": _reference,
    "transistor": _transistor,
    "jumper": _jumper,
    "follower": _follower,
    "mux8": _mux8,
    "selector": _selector,
    "motor": _motor,
    "switch4": _switch4,
    "hbridge": _hbridge,
    "module": _module,
    "header": _nothing,
    "terminal": _nothing,
    "memory": _memory,
}


def contacts(parts: Sequence[Part], ohm: float) -> list[Linear]:
    """A contact from each outer side that is used, such as J4.2, to the net behind that pin."""
    sockets = {part.ref: part for part in parts if part.kind in ("header", "terminal")}
    out = []
    for outer in dict.fromkeys(net for part in parts for net in part.nets if _OUTER.fullmatch(net)):
        ref, pin = outer.split(".")
        if ref not in sockets or int(pin) > len(sockets[ref].nets):
            raise ValueError(f"{outer}: the board has no such header pin")
        out.append(resistor(outer, net_at(sockets[ref], int(pin)), ohm))
    return out


def driver(module: Part, pin: str, state: PinState, pull_ohm: float) -> Linear | None:
    """What the module does at one pin; nothing for an input without a pull."""
    net, rail = net_at(module, MODULE_PINS[pin]), net_at(module, MODULE_RAIL)
    ground = joined(module, MODULE_GROUND)[0]
    if state.mode == "out":
        # high and low differ in resistance, so two outputs that fight do not settle at exactly half the rail
        ohm = state.level * module.model["high"] + (1.0 - state.level) * module.model["low"]
        return push_pull(net, rail, ground, state.level, ohm)
    if state.pull == "none":
        return None
    return resistor(net, rail if state.pull == "up" else ground, pull_ohm)
