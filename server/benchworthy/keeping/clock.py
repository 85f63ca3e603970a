"""The way out when the clock once stood in the future: somebody says, in the ledger, that it is right now.

No certificate is issued while the clock is before an entry of the ledger. A clock that was ahead for a minute leaves such
entries behind, and without this every certificate would wait until that time has come.
"""

from datetime import datetime

from sqlalchemy import Engine

from benchworthy.evidence import recording
from benchworthy.history.ledger import CLOCK_RIGHT
from benchworthy.ports import Services
from benchworthy.storage import chains
from benchworthy.storage.engine import reading


def confirm(holder: str, services: Services, engine: Engine) -> str | None:
    """Enter into the site's chain that later times than the present one are wrong; the latest of them, None without any."""
    now = services.now().isoformat(timespec="seconds")
    with reading(engine) as connection:
        latest = chains.latest(connection)
    if latest is None or datetime.fromisoformat(latest) <= datetime.fromisoformat(now):
        return None
    with services.storage.writing() as work:
        recording.enter_site(CLOCK_RIGHT, holder, {"now": now, "wrong_until": latest}, work, services)
    return latest
