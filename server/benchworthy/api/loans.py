"""Loans, returns and check-ins: of one board, of a class set, and as a list."""

from datetime import UTC, datetime
from typing import Any, Final

from flask import Response
from flask_smorest import Blueprint

from benchworthy import desk_actions
from benchworthy.acts.lending import Going, Lent
from benchworthy.acts.returning import Back, TakenBack
from benchworthy.api import listing, printing
from benchworthy.api import loan_schemas as schemas
from benchworthy.api.access import allowed, holder, services
from benchworthy.desk.states import RULES, Act
from benchworthy.errors import RequestInvalid
from benchworthy.history.lending import LoanQuery
from benchworthy.intake import label

blueprint = Blueprint("loans", __name__, url_prefix="/api/v1", description="Out of the house and back")
_STAMP: Final = "%Y%m%dT%H%M%S.%f"
_LENDS, _TAKES_BACK, _CHECKS_IN = (sorted(RULES[act].roles) for act in (Act.LEND, Act.TAKE_BACK, Act.CHECK_IN))


@blueprint.post("/boards/<serial>/loans")
@allowed(*_LENDS)
@blueprint.arguments(schemas.NewLoan)
@blueprint.response(201, schemas.LentOut)
def lend(body: dict[str, Any], serial: str) -> dict[str, Any]:
    """Lend a fit board with all that belongs to it until a due date, or hear everything that keeps it here."""
    going = Going(label.parse(serial), body["accessories"])
    return _lent(desk_actions.lend(services(), going, body["borrower"], body["due"], holder()))


@blueprint.post("/class-loans")
@allowed(*_LENDS)
@blueprint.arguments(schemas.NewClassLoan)
@blueprint.response(201, schemas.ClassLoans)
def lend_set(body: dict[str, Any]) -> dict[str, Any]:
    """Lend a class set to one borrower, or hear in one list what stands against which board."""
    going = [Going(**board) for board in body["boards"]]
    return {"loans": [_lent(one) for one in desk_actions.lend_set(services(), going, body["borrower"], body["due"], holder())]}


@blueprint.post("/boards/<serial>/returns")
@allowed(*_TAKES_BACK)
@blueprint.arguments(schemas.NewReturn)
@blueprint.response(201, schemas.ReturnOut)
def take_back(body: dict[str, Any], serial: str) -> dict[str, Any]:
    """Take a board back; its own label is scanned. The answer says how deep it has to be looked at, and why."""
    return _returned(desk_actions.take_back(services(), label.parse(serial), Back(**body), holder()))


@blueprint.post("/class-returns")
@allowed(*_TAKES_BACK)
@blueprint.arguments(schemas.NewClassReturn)
@blueprint.response(201, schemas.ClassReturns)
def take_back_set(body: dict[str, Any]) -> dict[str, Any]:
    """Take a class set back; every board's own label is scanned."""
    back = [Back(**board) for board in body["boards"]]
    return {"loans": [_returned(one) for one in desk_actions.take_back_set(services(), back, holder())]}


@blueprint.post("/boards/<serial>/check-ins")
@allowed(*_CHECKS_IN)
@blueprint.arguments(schemas.NewCheckIn)
@blueprint.response(201, schemas.CheckInOut)
def check_in(body: dict[str, Any], serial: str) -> dict[str, Any]:
    """Settle a return on a run as deep as the return asked for: fit kept, held, or still returned with the next step."""
    number = label.parse(serial)
    outcome = desk_actions.check_in(services(), number, body["run"], holder())
    answer = {"serial": number, "outcome": outcome.outcome, "sentence": outcome.sentence, "lapse": outcome.lapse}
    return {**answer, "moved": outcome.moved}


@blueprint.get("/loans")
@allowed()
@blueprint.arguments(schemas.LoansQuery, location="query")
@blueprint.response(200, schemas.Loans, headers=listing.HEADERS)
@blueprint.alt_response(200, schema=listing.TEXT, content_type=listing.CSV)
def listed(query: dict[str, Any]) -> Any:
    """Loans by due date, by default those that last, each with what the desk does next; also as `text/csv`."""
    after = _cursor(query.pop("after"))
    limit = query.pop("limit")
    found = desk_actions.loans(services(), LoanQuery(services().site, **query), after, limit)
    last = found[-1].row.loan if len(found) == limit else None
    following = f"{last.due.astimezone(UTC):{_STAMP}}~{last.id}" if last else None
    return listing.page("loans", found, schemas.ListedLoan, following)


@blueprint.get("/loans/<loan>/slip")
@allowed(*_LENDS)
@blueprint.arguments(schemas.SlipQuery, location="query")
@blueprint.response(200, printing.PAPER, content_type=printing.PDF)
def slip(query: dict[str, Any], loan: str) -> Response:
    """The slip that goes with a loan as PDF, the same however often it is printed while the loan lasts."""
    return printing.slips_answer(desk_actions.slips(services(), [loan]), query["form"], f"slip-{loan}")


@blueprint.post("/slips")
@allowed(*_LENDS)
@blueprint.arguments(schemas.WantedSlips)
@blueprint.response(200, printing.PAPER, content_type=printing.PDF)
def slips(body: dict[str, Any]) -> Response:
    """The slips of a class set in one PDF, in the order asked for; none when one of the loans is over."""
    return printing.slips_answer(desk_actions.slips(services(), body["loans"]), body["form"], "slips")


def _lent(made: Lent) -> dict[str, Any]:
    return {**_loan(made.loan), "slip_code": made.slip_code}


def _returned(made: TakenBack) -> dict[str, Any]:
    more = {name: getattr(made, name) for name in ("module", "lacking", "remark", "hold", "lapse", "lapsed", "told")}
    return {**_loan(made.loan), "set": made.loan.asked, "reasons": made.loan.reasons, **more}


def _loan(loan: Any) -> dict[str, Any]:
    return {name: getattr(loan, name) for name in schemas.LoanOut._declared_fields}


def _cursor(text: str | None) -> tuple[datetime, str] | None:
    """Raises RequestInvalid for what this service did not give out."""
    if text is None:
        return None
    stamp, _, loan = text.partition("~")
    try:
        return datetime.strptime(stamp, _STAMP).replace(tzinfo=UTC), loan
    except ValueError as fault:
        raise RequestInvalid("This is no cursor.", errors={"after": ["Take it from the page before."]}) from fault
