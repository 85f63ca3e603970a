"""The site's signing key is renewed, or a former one is withdrawn because it may be in other hands."""

import base64
import json
from collections.abc import Callable, Sequence

from benchworthy.acts.gather import board_of
from benchworthy.acts.lapsing import lapse_these
from benchworthy.desk.lapses import WITHDRAWN
from benchworthy.evidence.recording import enter_site
from benchworthy.ports import Services, Work


def rotate(change: Callable[[], tuple[str, str]], holder: str, work: Work, services: Services) -> tuple[str, str]:
    """What the old key signed stays as it is. Raises what `change` raises, and then nothing is entered."""
    old, new = change()
    enter_site("signing-key-rotated", holder, {"old": old, "new": new}, work, services)
    return old, new


def withdraw(thumbprint: str, reason: str, holder: str, work: Work, services: Services) -> Sequence[str]:
    """Every certificate in force that this key signed lapses; returns their ids."""
    signed = [one for one in work.lapses.all_in_force(services.site, services.now()) if _key_of(one.token) == thumbprint]
    ids = [certificate.id for certificate in signed]
    enter_site("signing-key-withdrawn", holder, {"thumbprint": thumbprint, "certificates": ids}, work, services, reason)
    for certificate in signed:
        board = board_of(certificate.serial, work, services)
        lapse_these([certificate.id], board, WITHDRAWN, holder, {"key": thumbprint}, work, services)
    return ids


def _key_of(token: str) -> str:
    """The `kid` of a token that this service made itself."""
    head = token.partition(".")[0]
    return str(json.loads(base64.urlsafe_b64decode(head + "=" * (-len(head) % 4)))["kid"])
