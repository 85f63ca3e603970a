"""Class sets: up to twenty boards out or back in one call, all of them or none."""

from typing import Any

from flask_smorest import Blueprint
from marshmallow import Schema, fields, validate

from benchworthy import desk_actions
from benchworthy.acts.class_sets import MOST
from benchworthy.api import schemas
from benchworthy.api.access import allowed, holder, services
from benchworthy.desk.states import RULES, Act

blueprint = Blueprint("class-sets", __name__, url_prefix="/api/v1", description="Many boards in one call")


class NewClassLoan(schemas.NewLoan):
    serials = fields.List(schemas.Serial(), required=True, validate=validate.Length(min=1, max=MOST))


class NewClassReturn(schemas.Strict):
    scanned = fields.List(schemas.Serial(), required=True, validate=validate.Length(min=1, max=MOST))


class LoanList(Schema):
    loans = fields.List(fields.Nested(schemas.LoanOut))


@blueprint.post("/class-loans")
@allowed(*sorted(RULES[Act.LEND].roles))
@blueprint.arguments(NewClassLoan)
@blueprint.response(201, LoanList)
def lend(body: dict[str, Any]) -> dict[str, Any]:
    """Lend a class set to one borrower, or hear in one list what stands against which board."""
    return {"loans": desk_actions.lend_set(services(), body["serials"], body["borrower"], body["due"], holder())}


@blueprint.post("/class-returns")
@allowed(*sorted(RULES[Act.TAKE_BACK].roles))
@blueprint.arguments(NewClassReturn)
@blueprint.response(201, LoanList)
def take_back(body: dict[str, Any]) -> dict[str, Any]:
    """Take a class set back; every board's own label is scanned."""
    return {"loans": desk_actions.take_back_set(services(), body["scanned"], holder())}
