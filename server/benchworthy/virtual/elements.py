"""What a circuit is made of: branches, a branch being one control voltage and one current.

A branch sees `control = sum(weight * volts[net]) + offset` and draws `weight * amperes` out of its nets.
A resistor's current is a constant times its control, a diode's an exponential. Units: V, A, ohm, siemens.
"""

from dataclasses import dataclass

Weights = tuple[tuple[str, float], ...]

GROUND = "GND"
THERMAL = 1.380649e-23 * 300.15 / 1.602176634e-19  # kT/q at 27 C; SI values of 2019
_FOLLOWER_LIMIT, _FOLLOWER_REACH = 0.02, 0.1  # A; V


@dataclass(frozen=True, slots=True)
class Branch:
    """One current: drawn from the nets in `drains` (times weight), controlled by those in `senses`."""

    drains: Weights
    senses: Weights
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class Linear:
    """A branch whose current is `siemens` times its control voltage."""

    branch: Branch
    siemens: float


@dataclass(frozen=True, slots=True)
class Junction:
    """Current Is * (exp(control / width) - 1), without series resistance."""

    branch: Branch
    saturation: float
    width: float


@dataclass(frozen=True, slots=True)
class Knee:
    """Nothing below zero control, control / ohm above, rounded over `width` volts."""

    branch: Branch
    ohm: float
    width: float


@dataclass(frozen=True, slots=True)
class Least:
    """The smaller of two controls drives the current: control / ohm, within 0 and `limit` amperes."""

    first: Branch
    second: Branch
    ohm: float
    limit: float


Element = Linear | Junction | Knee | Least


def between(a: str, b: str, offset: float = 0.0) -> Branch:
    """A branch from net `a` to net `b`, controlled by the voltage across itself."""
    both = ((a, 1.0), (b, -1.0))
    return Branch(both, both, offset)


def resistor(a: str, b: str, ohm: float) -> Linear:
    """A resistance; `ohm` must be above zero."""
    return Linear(between(a, b), 1.0 / ohm)


def diode(anode: str, cathode: str, saturation: float, emission: float) -> Junction:
    """A diode or lamp: Shockley's law, saturation current in A, emission coefficient."""
    return Junction(between(anode, cathode), saturation, emission * THERMAL)


def source(plus: str, minus: str, volts: float, ohm: float) -> Linear:
    """A voltage behind a resistance."""
    return Linear(between(plus, minus, -volts), 1.0 / ohm)


def push_pull(pin: str, rail: str, ground: str, level: float, ohm: float) -> Linear:
    """An output that stands at `level` (0..1) between ground and rail.

    What it gives it takes from the rail; a level between, a duty seen as its mean, takes its share.
    """
    shares = ((rail, level), (ground, 1.0 - level), (pin, -1.0))
    return Linear(Branch(shares, shares), 1.0 / ohm)


def transistor(e: str, b: str, c: str, saturation: float, forward: float, reverse: float) -> tuple[Junction, Junction]:
    """An NPN after Ebers and Moll: saturation current in A, gains forward and reverse, no Early effect."""
    to_emitter = ((b, 1.0 / forward), (c, 1.0), (e, -1.0 - 1.0 / forward))
    to_collector = ((b, 1.0 / reverse), (e, 1.0), (c, -1.0 - 1.0 / reverse))
    return (
        Junction(Branch(to_emitter, ((b, 1.0), (e, -1.0))), saturation, THERMAL),
        Junction(Branch(to_collector, ((b, 1.0), (c, -1.0))), saturation, THERMAL),
    )


def regulator(supply: str, ground: str, out: str, volts: float, drop: float, ohm: float, limit: float) -> Least:
    """Lets out stand at min(volts, supply - drop) over ground, from the supply, at most `limit` amperes."""
    passes = ((supply, 1.0), (out, -1.0))
    holds = Branch(passes, ((ground, 1.0), (out, -1.0)), volts)
    return Least(holds, Branch(passes, passes, -drop), ohm, limit)


def follower(given: str, out: str, supply: str, ground: str, gain: float, ohm: float) -> tuple[Least, Least]:
    """Holds out at min(gain * given, supply): one half gives from the supply, one takes to ground."""
    error = ((given, gain), (ground, 1.0 - gain), (out, -1.0))
    above = tuple((net, -weight) for net, weight in error)
    gives = ((supply, 1.0), (out, -1.0))
    takes = ((out, 1.0), (ground, -1.0))
    return (
        Least(Branch(gives, error), Branch(gives, gives), ohm, _FOLLOWER_LIMIT),
        # the output reaches its ground exactly, and takes nothing once its ground has come loose
        # and stands higher
        Least(Branch(takes, above), Branch(takes, takes, _FOLLOWER_REACH), ohm, _FOLLOWER_LIMIT),
    )
