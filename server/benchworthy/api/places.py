"""Cursors of lists in order of time: where a page ended, as one opaque word."""

import base64
import binascii
import json
from collections.abc import Sequence
from datetime import datetime

from benchworthy.desk.work_list import Item
from benchworthy.errors import RequestInvalid
from benchworthy.history.read_back import Place, ReportLine, Value
from benchworthy.history.standing import END


def write(place: Place) -> str:
    at, *rest = place
    return base64.urlsafe_b64encode(json.dumps([at.isoformat(), *rest], separators=(",", ":")).encode()).decode().rstrip("=")


def read(cursor: str | None) -> Place | None:
    """Raises RequestInvalid for what no page ever named."""
    if not cursor:
        return None
    try:
        at, digest, test, quantity = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
        moment = datetime.fromisoformat(at)
    except (binascii.Error, ValueError, TypeError, RecursionError) as fault:
        raise RequestInvalid("No page ended there.", errors={"after": ["Take it from `next` or the Link header."]}) from fault
    if moment.tzinfo is None or not all(isinstance(part, str) for part in (digest, test, quantity)):
        raise RequestInvalid("No page ended there.", errors={"after": ["Take it from `next` or the Link header."]})
    return moment, digest, test, quantity


def after_value(rows: Sequence[Value], limit: int) -> str | None:
    """The cursor after a page of values; None after the last page."""
    last = rows[-1] if len(rows) == limit else None
    return write((last.at, last.report, last.test, last.quantity)) if last else None


def after_report(rows: Sequence[ReportLine], limit: int) -> str | None:
    last = rows[-1] if len(rows) == limit else None
    return write((last.at, last.report, "", "")) if last else None


def page_of_work(items: Sequence[Item], after: Place | None, limit: int) -> tuple[Sequence[Item], str | None]:
    """The items that follow a place in the list's own order, and the cursor of the next page."""
    left = [item for item in items if after is None or _of_item(item) > after]
    return left[:limit], write(_of_item(left[limit - 1])) if len(left) > limit else None


def _of_item(item: Item) -> Place:
    return item.due or END, f"{item.hands:09}", item.serial, ""
