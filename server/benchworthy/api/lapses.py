"""What ends a certificate before its date: a swapped module, other programs on the board."""

from typing import Any

from flask_smorest import Blueprint

from benchworthy import desk_actions, house_actions
from benchworthy.api import lapse_schemas as schemas
from benchworthy.api import listing
from benchworthy.api.access import allowed, holder, services
from benchworthy.api.schemas import NumberedPage
from benchworthy.desk.modules import Swap
from benchworthy.intake import label

blueprint = Blueprint("lapses", __name__, url_prefix="/api/v1", description="What ends a certificate before its date")


@blueprint.post("/boards/<serial>/modules")
@allowed("tester")
@blueprint.arguments(schemas.NewModule)
@blueprint.response(201, schemas.ModuleSwapped)
def swap(body: dict[str, Any], serial: str) -> Any:
    """Record that another module was plugged in: new epoch and field key (told once); the certificate lapses (LAPSE-MODULE)."""
    told = Swap(label.parse(serial), body["scanned"], body["module"], body["reason"])
    return desk_actions.swap_module(services(), told, holder())


@blueprint.get("/boards/<serial>/modules")
@allowed()
@blueprint.arguments(NumberedPage, location="query")
@blueprint.response(200, schemas.Modules, headers=listing.HEADERS)
@blueprint.alt_response(200, schema=listing.TEXT, content_type=listing.CSV)
def modules(query: dict[str, Any], serial: str) -> Any:
    """The modules that a board has had, the present one last; also as `text/csv`."""
    number = label.parse(serial)
    found = desk_actions.modules_of(services(), number, query["after"], query["limit"])
    following = str(found[-1].epoch) if len(found) == query["limit"] else None
    return listing.page("modules", found, schemas.ModuleOut, following, serial=number)


@blueprint.post("/approved-firmware")
@allowed("coordinator")
@blueprint.arguments(schemas.NewApproval)
@blueprint.response(201, schemas.ApprovalOut)
def approve(body: dict[str, Any]) -> Any:
    """Declare a firmware or an agent compatible: a board that changes to it keeps its certificate."""
    return house_actions.approve_software(services(), body["kind"], body["value"], body["reason"], holder())


@blueprint.get("/approved-firmware")
@allowed()
@blueprint.arguments(NumberedPage, location="query")
@blueprint.response(200, schemas.Approvals, headers=listing.HEADERS)
@blueprint.alt_response(200, schema=listing.TEXT, content_type=listing.CSV)
def approved(query: dict[str, Any]) -> Any:
    """What was declared compatible, with who said so and why, those taken back too; also as `text/csv`."""
    found = house_actions.approved_software(services(), query["after"], query["limit"])
    following = str(found[-1].number) if len(found) == query["limit"] else None
    return listing.page("approved", found, schemas.ApprovalOut, following)


@blueprint.post("/approved-firmware/<int:number>/revocation")
@allowed("coordinator")
@blueprint.arguments(schemas.ApprovalEnd)
@blueprint.response(201, schemas.ApprovalOut)
def revoke(body: dict[str, Any], number: int) -> Any:
    """Take a declaration back; a board that runs such a program loses its certificate by its next report."""
    return house_actions.revoke_approval(services(), number, body["reason"], holder())
