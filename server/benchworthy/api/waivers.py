"""Waivers: a coordinator lets one test of one board go for a while."""

from typing import Any

from flask_smorest import Blueprint

from benchworthy import desk_actions
from benchworthy.api import listing, schemas
from benchworthy.api import waiver_schemas as shapes
from benchworthy.api.access import allowed, holder, role, services
from benchworthy.intake import label

blueprint = Blueprint("waivers", __name__, url_prefix="/api/v1", description="Tests of single boards let go for a while")


@blueprint.post("/boards/<serial>/waivers")
@allowed("coordinator")
@blueprint.arguments(shapes.NewWaiver)
@blueprint.response(201, shapes.WaiverOut)
def waive(body: dict[str, Any], serial: str) -> Any:
    """Let a test go until a date, with a reason that stands on the certificate; never a cold, rail or hazard test."""
    number = label.parse(serial)
    return desk_actions.waive(services(), number, body["test"], body["reason"], body["until"], holder(), role())


@blueprint.get("/boards/<serial>/waivers")
@allowed()
@blueprint.arguments(schemas.NumberedPage, location="query")
@blueprint.response(200, shapes.WaiverList, headers=listing.HEADERS)
@blueprint.alt_response(200, schema=listing.TEXT, content_type=listing.CSV)
def of_board(query: dict[str, Any], serial: str) -> Any:
    """All waivers of a board, ended ones too, oldest first, a page at a time; also as `text/csv`."""
    found = desk_actions.waivers(services(), label.parse(serial), query["after"], query["limit"])
    following = str(found[-1].number) if len(found) == query["limit"] else None
    return listing.page("waivers", found, shapes.WaiverOut, following)


@blueprint.post("/waivers/<int:number>/end")
@allowed("coordinator")
@blueprint.response(200, shapes.WaiverOut)
def end(number: int) -> Any:
    """End a waiver before its date: the test counts again, and a certificate that rests on the waiver lapses."""
    return desk_actions.end_waiver(services(), number, holder())
