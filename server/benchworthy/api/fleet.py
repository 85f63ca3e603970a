"""The whole fleet: counts, boards by where they stand, check-ins that failed, all values of one test, and the work list."""

from typing import Any

from flask_smorest import Blueprint

from benchworthy import fleet_actions
from benchworthy.api import fleet_schemas as schemas
from benchworthy.api import listing, places
from benchworthy.api.access import allowed, services
from benchworthy.fleet.counts import by_state
from benchworthy.history.standing import Wanted

blueprint = Blueprint("fleet", __name__, url_prefix="/api/v1", description="Many boards at once")


@blueprint.get("/fleet/counts")
@allowed()
@blueprint.response(200, schemas.CountsOut)
def counts() -> dict[str, Any]:
    """How many boards of this site are in which state, by design; virtual boards are counted apart."""
    at, shares = fleet_actions.counts(services())
    return {
        "site": services().site,
        "at": at,
        "states": by_state(shares, virtual=False),
        "virtual_states": by_state(shares, virtual=True),
        "groups": shares,
    }


@blueprint.get("/fleet/boards")
@allowed()
@blueprint.arguments(schemas.FleetQuery, location="query")
@blueprint.response(200, schemas.FleetBoards, headers=listing.HEADERS)
@blueprint.alt_response(200, schema=listing.TEXT, content_type=listing.CSV)
def boards(query: dict[str, Any]) -> Any:
    """Boards with all that a week's look needs: state, certificate, loan, when last seen, firmware; also as `text/csv`."""
    wanted = Wanted(query["state"], query["design"], query["inventory_ref"], query["firmware"])
    days, overdue = query["lapsing_within_days"], query["overdue"]
    found = fleet_actions.boards(services(), wanted, query["after"], query["limit"], days, overdue)
    following = found[-1].board.serial if len(found) == query["limit"] else None
    return listing.page("boards", found, schemas.FleetBoard, following)


@blueprint.get("/fleet/failures")
@allowed()
@blueprint.arguments(schemas.FailureQuery, location="query")
@blueprint.response(200, schemas.Failures, headers=listing.HEADERS)
@blueprint.alt_response(200, schema=listing.TEXT, content_type=listing.CSV)
def failures(query: dict[str, Any]) -> Any:
    """Check-ins of the last days that held a board, each with its reason, newest first; also as `text/csv`."""
    found = fleet_actions.failed_check_ins(services(), query["days"], query["after"], query["limit"])
    following = str(found[-1].number) if len(found) == query["limit"] else None
    return listing.page("failures", found, schemas.FailureOut, following)


@blueprint.get("/fleet/readings")
@allowed()
@blueprint.arguments(schemas.FleetReadingQuery, location="query")
@blueprint.response(200, schemas.Readings, headers=listing.HEADERS)
@blueprint.alt_response(200, schema=listing.TEXT, content_type=listing.CSV)
def readings(query: dict[str, Any]) -> Any:
    """Every value of one test over all boards of a design, oldest first; also as `text/csv`."""
    after = places.read(query["after"])
    found = fleet_actions.fleet_readings(services(), query["design"], query["test"], query["since"], after, query["limit"])
    return listing.page("readings", found, schemas.ReadingOut, places.after_value(found, query["limit"]))


@blueprint.get("/work")
@allowed()
@blueprint.arguments(schemas.WorkQuery, location="query")
@blueprint.response(200, schemas.Work, headers=listing.HEADERS)
@blueprint.alt_response(200, schema=listing.TEXT, content_type=listing.CSV)
def work(query: dict[str, Any]) -> Any:
    """Boards that wait, each with the one next act: who may do it, how long it ties a person, and what settles it.

    What has a date comes first, then what ties a person least. `minutes` keeps what one person gets done in that time.
    """
    items = fleet_actions.work(services(), query["holder"], query["role"], query["minutes"])
    page, following = places.page_of_work(items, places.read(query["after"]), query["limit"])
    return listing.page("work", page, schemas.WorkItem, following, hands=sum(item.hands for item in page))
