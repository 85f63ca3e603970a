"""An answer that is kept, so that the same request sent again gets it again."""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class KeptAnswer:
    """`name` and `request` are keyed hashes, `sealed` is encrypted: only whoever sent the request can read it.

    Answers may hold what is told once, such as a field key, and the database holds no secrets.
    """

    name: str
    request: str
    sealed: bytes
    at: datetime
