"""The module's converter: from an exact code to the whole number that the board's program reads.

All randomness comes from a counter, never from a shared stream: reading number 17 of a board is the same in
whatever order and in whatever process it is asked for.
"""

import hashlib

import numpy as np
from numpy.typing import NDArray

_FULL = 4095
_EDGES = (512, 1536, 2560, 3584)  # codes at which the converter's error jumps
_SEGMENT_ERROR = np.array([15.0, 6.0, -1.0, -6.0, -15.0])  # codes; what is left of it after correction is k times this
_OFFSET_SPREAD, _SHARE_SPREAD, _NOISE = (
    3.0,
    0.35,
    1.2,
)  # standard deviations: codes, share of the error, codes


class Readout:
    """The converter of one board. `seed` None is an ideal one: it only rounds."""

    def __init__(self, seed: int | None) -> None:
        self._key = None if seed is None else _key(f"reading {seed}")
        self.offset, self.share = 0.0, 0.0
        if seed is not None:
            offset, share = normals(_key(f"converter {seed}"), 0, 2)
            self.offset, self.share = _OFFSET_SPREAD * float(offset), _SHARE_SPREAD * float(share)

    def codes(self, ideal: NDArray[np.float64], index: int, noise: float = 1.0) -> NDArray[np.intp]:
        """Readings number `index` onwards of exact codes, 0..4095; `noise` is how many times the usual one there is."""
        return np.clip(np.rint(ideal + self.errors(ideal, index, noise)), 0, _FULL).astype(np.intp)

    def errors(self, ideal: NDArray[np.float64], index: int, noise: float = 1.0) -> NDArray[np.float64]:
        """What readings number `index` onwards of exact codes are off by, in codes, before rounding."""
        if self._key is None:
            return np.zeros(len(ideal))
        segment = np.searchsorted(_EDGES, ideal, side="right")
        fixed = self.offset + self.share * _SEGMENT_ERROR[segment]
        return np.asarray(fixed + noise * _NOISE * normals(self._key, index, len(ideal)))


def _key(text: str) -> int:
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:16], "little")


def normals(key: int, index: int, count: int) -> NDArray[np.float64]:
    """Normal numbers `index` onwards of this key. One counter step of Philox gives four words; two make one
    number.
    """
    words = np.random.Philox(key=key, counter=index).random_raw(4 * count).reshape(count, 4)
    # 53 bits each; the first is kept off zero for the logarithm
    radius = ((words[:, 0] >> np.uint64(11)).astype(np.float64) + 1.0) * 2.0**-53
    angle = (words[:, 1] >> np.uint64(11)).astype(np.float64) * 2.0**-53
    return np.asarray(np.sqrt(-2.0 * np.log(radius)) * np.cos(2.0 * np.pi * angle), dtype=np.float64)
