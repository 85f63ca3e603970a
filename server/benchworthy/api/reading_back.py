"""One board's evidence read back: values of its tests, and its reports."""

from typing import Any

from flask_smorest import Blueprint

from benchworthy import fleet_actions
from benchworthy.api import fleet_schemas as schemas
from benchworthy.api import listing, places
from benchworthy.api.access import allowed, services
from benchworthy.intake import label

blueprint = Blueprint("reading_back", __name__, url_prefix="/api/v1", description="A board's evidence read back")


@blueprint.get("/boards/<serial>/readings")
@allowed()
@blueprint.arguments(schemas.ReadingQuery, location="query")
@blueprint.response(200, schemas.Readings, headers=listing.HEADERS)
@blueprint.alt_response(200, schema=listing.TEXT, content_type=listing.CSV)
def readings(query: dict[str, Any], serial: str) -> Any:
    """Values of one test, or of all, over all runs and field reports, oldest first; also as `text/csv`."""
    after = places.read(query["after"])
    found = fleet_actions.readings(services(), label.parse(serial), query["test"], query["since"], after, query["limit"])
    return listing.page("readings", found, schemas.ReadingOut, places.after_value(found, query["limit"]))


@blueprint.get("/boards/<serial>/reports")
@allowed()
@blueprint.arguments(schemas.Cursor, location="query")
@blueprint.response(200, schemas.Reports, headers=listing.HEADERS)
@blueprint.alt_response(200, schema=listing.TEXT, content_type=listing.CSV)
def reports(query: dict[str, Any], serial: str) -> Any:
    """What arrived of a board, without its readings, newest first; also as `text/csv`."""
    number = label.parse(serial)
    found = fleet_actions.reports(services(), number, places.read(query["after"]), query["limit"])
    return listing.page("reports", found, schemas.ReportItem, places.after_report(found, query["limit"]), serial=number)
