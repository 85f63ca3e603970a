"""Keys as they are pressed: contacts bounce, a worn one for longer, and now and then it does not make at all."""

import random
from collections.abc import Iterable

from benchworthy.designs.parts import Part

_BOUNCE_MS, _WORN_MS = (1.2, 0.5), (14.0, 6.0)  # mean and spread; of a worn key too, which misses _MISSES of its presses
_LEAST_MS, _MISSES = 0.1, 0.06
_EDGES_MOST = 4  # pairs of further edges while a contact bounces
_REACTION_MS, _HELD_MS, _EVERY_MS = 250.0, 120.0, 600.0  # a person who sees the lamp light, and then presses on

Edge = tuple[int, bool]  # virtual microseconds, and whether the contact is closed from then on


class Keys:
    """When the contacts of each key close and open, known ahead in virtual time."""

    def __init__(self, parts: Iterable[Part], seed: int | None) -> None:
        self._seed = seed
        self._parts = {part.ref: part for part in parts if part.kind == "switch"}
        self._edges: dict[str, list[Edge]] = {ref: [] for ref in self._parts}
        self._presses = 0
        self._planned = 0

    @property
    def refs(self) -> tuple[str, ...]:
        """The keys there are."""
        return tuple(self._parts)

    def restart(self) -> None:
        """The board's time begins anew; what is held down stays down."""
        for ref, edges in self._edges.items():
            self._edges[ref] = [(-1, True)] if edges and edges[-1][1] else []

    def put(self, parts: Iterable[Part]) -> None:
        """The keys as they are now, after a fault was set."""
        self._parts = {part.ref: part for part in parts if part.kind == "switch"}

    def move(self, ref: str, down: bool, t_us: int) -> None:
        """A key goes down or up at a moment. Raises ValueError for a part that is no key."""
        if ref not in self._parts:
            raise ValueError(f"{ref} is no key of this board")
        self._edges[ref] = [edge for edge in self._edges[ref] if edge[0] <= t_us] + self._bounce(ref, down, t_us)

    def plan(self, presses: int) -> None:
        """So many times the person presses the first key, beginning when the lamp lights next."""
        self._planned = presses

    def lamp_lit(self, t_us: int) -> None:
        """The lamp has lit: the planned presses follow."""
        ref = next(iter(self._parts), "")
        for press in range(self._planned if ref else 0):
            down = t_us + round((_REACTION_MS + press * _EVERY_MS) * 1000)
            made = self._bounce(ref, True, down)
            if made:
                up = self._bounce(ref, False, down + round(_HELD_MS * 1000))
                self._edges[ref] = [*self._edges[ref], *made, *up]
        self._planned = 0

    def pressed(self, t_us: int) -> frozenset[str]:
        """The keys whose contact is closed at a moment."""
        closed = set()
        for ref, edges in self._edges.items():
            before = [down for at, down in edges if at <= t_us]
            if before and before[-1]:
                closed.add(ref)
        return frozenset(closed)

    def edges(self, after_us: int, until_us: int) -> list[tuple[int, str, bool]]:
        """What the contacts do in a window, in order: moment, key, closed."""
        found = [(at, ref, down) for ref, edges in self._edges.items() for at, down in edges if after_us < at <= until_us]
        return sorted(found)

    def _bounce(self, ref: str, down: bool, t_us: int) -> list[Edge]:
        """The contact's edges from the moment it is moved; none if it does not make."""
        worn = self._parts[ref].model.get("worn", 0.0) > 0.0
        self._presses += 1
        draw = random.Random(f"key {self._seed} {ref} {self._presses}")
        if worn and down and draw.random() < _MISSES:
            return []
        mean, spread = _WORN_MS if worn else _BOUNCE_MS
        length = round(max(draw.gauss(mean, spread), _LEAST_MS) * 1000)
        inside = sorted(draw.sample(range(1, length), min(2 * draw.randint(1, _EDGES_MOST) - 1, length - 1)))
        # the last edge stands at the end of the bounce and leaves the contact as it is meant to be
        times = [0, *inside, length] if len(inside) % 2 else [0, *inside[:-1], length]
        return [(t_us + at, down if place % 2 == 0 else not down) for place, at in enumerate(times)]
