"""Run tickets: for evenings on which a bench cannot reach the service."""

from typing import Any

from flask_smorest import Blueprint

from benchworthy import run_actions
from benchworthy.acts.tickets import Use
from benchworthy.api import listing, ticket_schemas
from benchworthy.api.access import allowed, holder, services
from benchworthy.api.runs import shown
from benchworthy.api.schemas import Page, RunOut

blueprint = Blueprint("tickets", __name__, url_prefix="/api/v1", description="Run tickets of benches")


@blueprint.post("/benches/<thumbprint>/tickets")
@allowed("tester")
@blueprint.arguments(ticket_schemas.NewTickets)
@blueprint.response(201, ticket_schemas.TicketsOut)
def issue(body: dict[str, Any], thumbprint: str) -> Any:
    """Fetch signed run tickets for a bench; each is good for one run of one board, for 72 hours, and is a secret."""
    return run_actions.issue_tickets(services(), thumbprint, body["design"], body["set"], body["count"], holder())


@blueprint.get("/benches/<thumbprint>/tickets")
@allowed()
@blueprint.arguments(Page, location="query")
@blueprint.response(200, ticket_schemas.KnownTickets, headers=listing.HEADERS)
@blueprint.alt_response(200, schema=listing.TEXT, content_type=listing.CSV)
def known(query: dict[str, Any], thumbprint: str) -> Any:
    """The tickets handed out to a bench, without their secrets, and what became of each."""
    found = run_actions.tickets_of(services(), thumbprint, query["after"], query["limit"])
    following = found[-1][0].id if len(found) == query["limit"] else None
    rows = [_row(ticket, state) for ticket, state in found]
    return listing.page("tickets", rows, ticket_schemas.KnownTicket, following)


@blueprint.post("/runs/<run>/use")
@allowed("tester", "desk")
@blueprint.arguments(ticket_schemas.TicketUse)
@blueprint.response(201, RunOut)
@blueprint.alt_response(200, schema=RunOut)
def use(body: dict[str, Any], run: str) -> Any:
    """Tell for which board a ticket was used: 201 its run is open and takes parts now, 200 that was on record."""
    told = Use(body["serial"], body["scanned"], tuple(body["fixtures"]), body["opened_at"], body["holder"])
    new = run_actions.use_ticket(services(), run, told, holder())
    return shown(*run_actions.view_run(services(), run)), 201 if new else 200


def _row(ticket: Any, state: str) -> dict[str, Any]:
    names = ("design", "issued_by", "issued_at", "expires_at", "used_at", "serial")
    return {"run": ticket.id, "set": ticket.test_set, "state": state, **{name: getattr(ticket, name) for name in names}}
