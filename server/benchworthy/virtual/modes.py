"""How a circuit's capacitors run down around one steady state: a sum of exponentials, exact for small changes."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchworthy.designs.parts import Part
from benchworthy.virtual import models
from benchworthy.virtual.circuit import Array
from benchworthy.virtual.elements import GROUND

Complex = NDArray[np.complex128]
_SLOWEST, _FASTEST = 1e-3, 1e12  # per second: rates outside are rounding


@dataclass(frozen=True, slots=True)
class Store:
    """Capacitors between the same two nets, taken as one."""

    plus: str
    minus: str
    farad: float


def stores(parts: Iterable[Part]) -> tuple[Store, ...]:
    """All capacitors of these parts, those in parallel joined, and what a multiplexer has at its common pin."""
    farad: dict[tuple[str, str], float] = {}
    for part in parts:
        if part.kind == "mux8" and "stray" in part.model:
            farad[models.net_at(part, models.MUX_COMMON), GROUND] = part.model["stray"]
        sound = part.kind == "capacitor" and not part.model.get("turned")
        if sound and part.value is not None and part.nets[0] != part.nets[1]:
            plus, minus = part.nets
            ends = (minus, plus) if (minus, plus) in farad else (plus, minus)
            farad[ends] = farad.get(ends, 0.0) + part.value
    return tuple(Store(plus, minus, value) for (plus, minus), value in farad.items())


class Modes:
    """What follows when stores are not at the voltage of the steady state: `volts(net)` and how it dies away."""

    def __init__(self, slopes: Array, index: Mapping[str, int], kept: Sequence[Store]) -> None:
        incidence = np.zeros((len(index), len(kept)))
        for column, store in enumerate(kept):
            for net, sign in ((store.plus, 1.0), (store.minus, -1.0)):
                if net != GROUND:
                    incidence[index[net], column] = sign
        self._index = index
        inverse = np.linalg.inv(slopes)
        self._through = inverse @ incidence
        across = np.linalg.inv(incidence.T @ self._through)  # siemens that the stores see
        rates, vectors = np.linalg.eig(across / np.array([store.farad for store in kept])[:, None])
        # a part that feeds back more than it takes would run away, or swing; nothing here does for long
        steady = np.asarray(rates.real, dtype=np.float64)
        self.rates: Array = np.clip(steady, _SLOWEST, _FASTEST)
        self._vectors: Complex = np.asarray(vectors, dtype=complex)
        self._back: Complex = np.asarray(np.linalg.inv(self._vectors), dtype=complex)
        self._spread = self._through @ across
        self._inverse = inverse

    def split(self, departure: Array) -> Complex:
        """A departure of the stores from their steady voltages, as amplitudes of the modes."""
        return np.asarray(self._back @ departure)

    def joined(self, amplitudes: Complex) -> Array:
        """The other way round; columns of amplitudes give columns of departures."""
        return np.asarray((self._vectors @ amplitudes).real)

    def at(self, net: str) -> Array:
        """By how many volts a net moves for each volt that each store is off."""
        return np.asarray(self._spread[self._index[net]]) if net != GROUND else np.zeros(self._spread.shape[1])

    def pushed(self, net: str, other: str) -> float:
        """By how many volts a net moves when another is moved by one volt from outside."""
        if GROUND in (net, other):
            return 0.0
        i, k = self._index[net], self._index[other]
        return float(self._inverse[i, k] / self._inverse[k, k])

    def ohm(self, net: str) -> float:
        """The resistance that a net shows to ground."""
        i = self._index[net]
        return float(self._inverse[i, i])
