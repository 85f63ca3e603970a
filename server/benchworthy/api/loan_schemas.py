"""Request and answer schemas of loans, returns, check-ins and remarks."""

from marshmallow import Schema, fields, validate

from benchworthy.acts.class_sets import MOST
from benchworthy.api.schemas import Serial, Strict

_CODE = validate.Regexp(r"\A[A-Za-z0-9][A-Za-z0-9._-]{0,31}\Z", error="Letters, digits, dot, dash and underscore, at most 32.")
_REFERENCE = validate.Length(min=1, max=64)
_TEXT = validate.Length(min=3, max=500)
_CURSOR = {"description": "cursor of the next page, opaque"}


def _accessories(description: str, default: object) -> fields.Dict:
    return fields.Dict(
        keys=fields.String(validate=validate.Length(min=1, max=40)),
        values=fields.Integer(strict=True, validate=validate.Range(min=0, max=99)),
        validate=validate.Length(max=30),
        load_default=default,
        metadata={"description": description},
    )


class _Yes(fields.Boolean):
    """true or false and nothing that is like it."""

    truthy = {True}  # noqa: RUF012  as the library has it
    falsy = {False}  # noqa: RUF012


class Counted(Strict):
    accessories = _accessories("how many of each were counted: as many as the sheet lists", dict)


class NewLoan(Counted):
    borrower = fields.String(required=True, validate=_CODE)
    due = fields.AwareDateTime(required=True)


class LoanOut(Schema):
    id = fields.String()
    serial = fields.String()
    borrower = fields.String()
    lent_at = fields.AwareDateTime()
    due = fields.AwareDateTime()
    returned_at = fields.AwareDateTime(allow_none=True)
    accessories = fields.Dict(keys=fields.String(), values=fields.Integer(), allow_none=True)


class LentOut(LoanOut):
    slip_code = fields.String(metadata={"description": "for a remark by the borrower; it dies with the loan"})


class NewReturn(Strict):
    scanned = Serial(required=True)
    accessories = _accessories("how many of each came back; left out when nobody counted", None)
    remark = fields.String(load_default=None, validate=_TEXT, metadata={"description": "what the borrower said of it"})
    dropped = _Yes(load_default=False)
    wet = _Yes(load_default=False)
    module = fields.String(
        load_default=None,
        validate=validate.Regexp(r"\A[0-9a-f]{8,64}\Z"),
        metadata={"description": "the module's id if the desk read it; otherwise the check-in run has to read it"},
    )


class ReturnOut(LoanOut):
    set = fields.String(metadata={"description": "the set that the check-in needs, or a deeper one"})
    reasons = fields.List(fields.String())
    module = fields.String(metadata={"description": "agrees, differs, not read or none bound"})
    lacking = fields.Dict(
        keys=fields.String(), values=fields.Integer(), allow_none=True, metadata={"description": "null when nobody counted"}
    )
    remark = fields.Integer(allow_none=True, metadata={"description": "the number under which it waits to be read"})
    hold = fields.String(allow_none=True, metadata={"description": "code of the hold that stands"})
    lapse = fields.String(allow_none=True)
    lapsed = fields.List(fields.String(), metadata={"description": "certificates that lapsed by this return"})
    told = fields.List(fields.String(), metadata={"description": "what the desk has to know now"})


class ClassBoard(Counted):
    serial = Serial(required=True)


class NewClassLoan(Strict):
    borrower = fields.String(required=True, validate=_CODE)
    due = fields.AwareDateTime(required=True)
    boards = fields.List(fields.Nested(ClassBoard), required=True, validate=validate.Length(min=1, max=MOST))


class ClassLoans(Schema):
    loans = fields.List(fields.Nested(LentOut))


class NewClassReturn(Strict):
    boards = fields.List(fields.Nested(NewReturn), required=True, validate=validate.Length(min=1, max=MOST))


class ClassReturns(Schema):
    loans = fields.List(fields.Nested(ReturnOut))


class LoansQuery(Strict):
    overdue = fields.Boolean(truthy={"true"}, falsy={"false"}, load_default=None)
    returned = fields.Boolean(truthy={"true"}, falsy={"false"}, load_default=False)
    state = fields.String(load_default=None, validate=validate.OneOf(["on loan", "missing", "retired", "returned"]))
    borrower = fields.String(load_default=None, validate=_CODE)
    holder = fields.String(load_default=None, validate=_CODE, metadata={"description": "who lent it"})
    after = fields.String(load_default=None, validate=validate.Length(max=80))
    limit = fields.Integer(load_default=50, validate=validate.Range(min=1, max=200))


class ListedLoan(Schema):
    loan = fields.String(attribute="row.loan.id")
    serial = fields.String(attribute="row.loan.serial")
    inventory_ref = fields.String(attribute="row.inventory_ref", allow_none=True)
    borrower = fields.String(attribute="row.loan.borrower")
    holder = fields.String(attribute="row.loan.lent_by")
    lent_at = fields.AwareDateTime(attribute="row.loan.lent_at")
    due = fields.AwareDateTime(attribute="row.loan.due")
    returned_at = fields.AwareDateTime(attribute="row.loan.returned_at", allow_none=True)
    state = fields.String(attribute="row.state")
    overdue = fields.Boolean()
    days = fields.Integer(allow_none=True, metadata={"description": "since the due date by the calendar, below zero before it"})
    act = fields.String(allow_none=True, metadata={"description": "remind, coordinator or missing"})
    step = fields.String(allow_none=True, metadata={"description": "what the desk does about it now"})


class Loans(Schema):
    loans = fields.List(fields.Nested(ListedLoan))
    next = fields.String(allow_none=True, metadata=_CURSOR)


class SlipQuery(Strict):
    form = fields.String(load_default="a5", validate=validate.OneOf(["a5", "half-a4"]))


class WantedSlips(SlipQuery):
    loans = fields.List(fields.String(validate=_REFERENCE), required=True, validate=validate.Length(min=1, max=MOST))


class NewCheckIn(Strict):
    run = fields.String(required=True, validate=_REFERENCE)


class CheckInOut(Schema):
    serial = fields.String()
    outcome = fields.String()
    sentence = fields.String()
    lapse = fields.String(allow_none=True)
    moved = fields.List(fields.String(), metadata={"description": "what moved since build, also while in limits"})


class NewRemark(Strict):
    code = fields.String(
        required=True, validate=validate.Length(min=1, max=32), metadata={"description": "the slip's, eight characters"}
    )
    text = fields.String(required=True, validate=_TEXT)


class Thanks(Schema):
    told = fields.String()


class NewOutcome(Strict):
    outcome = fields.String(required=True, validate=_TEXT)


class RemarkOut(Schema):
    id = fields.Integer(metadata={"description": "the number under which it is read"})
    serial = fields.String()
    loan = fields.String()
    told_by = fields.String(metadata={"description": "slip, or desk when it was said at the return"})
    text = fields.String(allow_none=True, metadata={"description": "null once it was erased"})
    by = fields.String()
    at = fields.AwareDateTime()
    waiting = fields.Boolean()
    read_by = fields.String(allow_none=True)
    read_at = fields.AwareDateTime(allow_none=True)
    outcome = fields.String(allow_none=True)


class Remarks(Schema):
    serial = fields.String()
    remarks = fields.List(fields.Nested(RemarkOut))
    next = fields.String(allow_none=True, metadata=_CURSOR)
