"""Remarks of borrowers: left with a slip's code and no token, read and settled by the desk."""

import hashlib
from typing import Any, Final

from flask import current_app, request
from flask_smorest import Blueprint

from benchworthy import desk_actions
from benchworthy.api import failures, listing
from benchworthy.api import loan_schemas as schemas
from benchworthy.api.access import allowed, holder, services
from benchworthy.api.schemas import NumberedPage
from benchworthy.api.told import OPEN
from benchworthy.desk.states import RULES, Act
from benchworthy.intake import label

blueprint = Blueprint("remarks", __name__, url_prefix="/api/v1", description="What borrowers tell")
_THANKS: Final = "Thank you. Somebody at the desk will read this. Keep the board as it is until you bring it back."


@blueprint.post("/remarks")
@blueprint.doc(security=OPEN)
@blueprint.arguments(schemas.NewRemark)
@blueprint.response(201, schemas.Thanks)
def leave(body: dict[str, Any]) -> dict[str, Any]:
    """Leave a remark with the code of a loan's slip; needs no token, and changes no board's state."""
    core, seal = services(), hashlib.sha256(body["code"].encode()).hexdigest()
    with failures.counted_codes(current_app, request.remote_addr or "", seal, core.now()):
        desk_actions.leave_remark(core, body["code"], body["text"])
    return {"told": _THANKS}


@blueprint.get("/boards/<serial>/remarks")
@allowed("desk", "tester", "inspector")
@blueprint.arguments(NumberedPage, location="query")
@blueprint.response(200, schemas.Remarks, headers=listing.HEADERS)
@blueprint.alt_response(200, schema=listing.TEXT, content_type=listing.CSV)
def listed(query: dict[str, Any], serial: str) -> Any:
    """What borrowers told of a board, oldest first, and what came of it; also as `text/csv`."""
    number = label.parse(serial)
    found = desk_actions.remarks(services(), number, query["after"], query["limit"])
    following = str(found[-1].id) if len(found) == query["limit"] else None
    return listing.page("remarks", found, schemas.RemarkOut, following, serial=number)


@blueprint.post("/remarks/<int:number>/read")
@allowed(*sorted(RULES[Act.TAKE_BACK].roles))
@blueprint.arguments(schemas.NewOutcome)
@blueprint.response(200, schemas.RemarkOut)
def read(body: dict[str, Any], number: int) -> Any:
    """Settle a remark: it was read, and this came of it. A defect is reported by its own act."""
    return desk_actions.read_remark(services(), number, body["outcome"], holder())
