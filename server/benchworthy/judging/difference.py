"""How sure is a sum or a difference of two measured values that have something in common?

What comes from one and the same quantity is one and the same error each time: such contributions add up with their signs
before they are squared. Written out, this is the law of propagation with covariances of the form
u(y, z) = sum over the common q of (dy/dq) (dz/dq) u(q)^2 (JCGM 100:2008, 5.2.2 and F.1.2.3). Of a difference most of it cancels.
"""

import math
from collections.abc import Mapping


def together(*contributions: Mapping[str, float]) -> float:
    """Standard uncertainty of a sum. Each summand gives its sensitivity times u, with its sign, by what it comes from."""
    names = {name for given in contributions for name in given}
    return math.sqrt(sum(sum(given.get(name, 0.0) for given in contributions) ** 2 for name in names))


def of_difference(before: Mapping[str, float], after: Mapping[str, float]) -> float:
    """What the common contributions of two values leave in their difference."""
    return together(after, {name: -amount for name, amount in before.items()})
