"""At the start of web: standings that rest on an older sheet, or on no sheet at all, are worked out beside the first requests.

Whoever asks for a list meanwhile has the rest worked out first, so no answer depends on how far this has come.
"""

import logging
import threading

from sqlalchemy.exc import SQLAlchemyError

from benchworthy.acts import standing_kept
from benchworthy.errors import BenchworthyError
from benchworthy.ports import Services

log = logging.getLogger("benchworthy.standings")


def begin(services: Services) -> threading.Thread:
    """A thread of its own, which ends with the process."""
    thread = threading.Thread(target=_catch_up, args=(services,), daemon=True)
    thread.start()
    return thread


def _catch_up(services: Services) -> None:
    try:
        done = standing_kept.catch_up(services)
    except (BenchworthyError, SQLAlchemyError) as fault:  # busy or full: the next list that is asked for goes on
        log.warning("the standings of the boards could not all be worked out now: %s", fault)
        return
    if done:
        log.info("worked out the standings of %d boards", done)
