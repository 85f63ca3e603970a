"""How many boards stand where. Virtual boards are counted apart: what holds for them says nothing of real ones."""

from collections import Counter
from collections.abc import Iterable, Mapping

from benchworthy.history.standing import Share


def by_state(shares: Iterable[Share], virtual: bool) -> Mapping[str, int]:
    """State to number of boards, of real ones or of virtual ones."""
    counted: Counter[str] = Counter()
    for share in shares:
        if share.virtual is virtual:
            counted[share.state] += share.boards
    return dict(sorted(counted.items()))
