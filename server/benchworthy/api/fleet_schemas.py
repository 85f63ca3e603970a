"""Schemas of what is asked of many boards, or of much evidence, at once."""

from marshmallow import Schema, fields, validate

from benchworthy.acts.enrolling import ROLES
from benchworthy.api.schemas import BoardOut, Page, Strict
from benchworthy.desk.states import State

_NAME = validate.Length(min=1, max=64)
_CURSOR = {"description": "cursor of the next page, opaque"}
_STATE = validate.OneOf([str(state) for state in State])


class BoardQuery(Page):
    state = fields.String(load_default=None, validate=_STATE)
    design = fields.String(load_default=None, validate=_NAME)
    inventory_ref = fields.String(load_default=None, validate=_NAME)


class BoardItem(BoardOut):
    """A board of a list: its record, and where it stands at this moment."""

    state = fields.String(metadata={"description": "at the moment of the answer"})
    fit = fields.Boolean()
    until = fields.AwareDateTime(allow_none=True, metadata={"description": "fit until then; null when not fit"})


class BoardList(Schema):
    boards = fields.List(fields.Nested(BoardItem))
    next = fields.String(allow_none=True, metadata=_CURSOR)


class FleetQuery(BoardQuery):
    lapsing_within_days = fields.Integer(
        load_default=None,
        validate=validate.Range(min=0, max=3660),
        metadata={"description": "whose certificate, in force now, ends within so many days"},
    )
    overdue = fields.Boolean(truthy={"true"}, falsy={"false"}, load_default=False)
    firmware = fields.String(load_default=None, validate=_NAME, metadata={"description": "as the newest report names it"})


class FleetBoard(Schema):
    serial = fields.String(attribute="board.serial")
    inventory_ref = fields.String(attribute="board.inventory_ref", allow_none=True)
    design = fields.String(attribute="board.design")
    virtual = fields.Boolean(attribute="board.virtual")
    kit_lot = fields.String(attribute="board.kit_lot", allow_none=True)
    state = fields.String()
    fit = fields.Boolean()
    answer = fields.String(metadata={"description": "fit, fails, not certified or no evidence"})
    until = fields.AwareDateTime(allow_none=True)
    certificate = fields.String(allow_none=True, metadata={"description": "the newest one, lapsed or not"})
    valid_until = fields.AwareDateTime(allow_none=True)
    lapse = fields.String(allow_none=True)
    hold = fields.String(allow_none=True, metadata={"description": "code of the open hold"})
    borrower = fields.String(allow_none=True)
    due = fields.AwareDateTime(allow_none=True)
    reserved_until = fields.AwareDateTime(allow_none=True)
    report = fields.String(allow_none=True, metadata={"description": "digest of the newest signed report"})
    seen_at = fields.AwareDateTime(allow_none=True, metadata={"description": "when it came"})
    firmware = fields.String(allow_none=True)
    agent = fields.String(allow_none=True)
    agent_hash = fields.String(allow_none=True)


class FleetBoards(Schema):
    boards = fields.List(fields.Nested(FleetBoard))
    next = fields.String(allow_none=True, metadata=_CURSOR)


class ShareOut(Schema):
    design = fields.String()
    virtual = fields.Boolean()
    state = fields.String()
    boards = fields.Integer()
    overdue = fields.Integer(metadata={"description": "of them, on loan past their date"})
    lapsing = fields.Integer(metadata={"description": "of them, with a certificate in force that ends within 14 days"})


class CountsOut(Schema):
    site = fields.String()
    at = fields.AwareDateTime()
    states = fields.Dict(metadata={"description": "boards by state, virtual ones left out"})
    virtual_states = fields.Dict(metadata={"description": "virtual boards by state"})
    groups = fields.List(fields.Nested(ShareOut))


class FailureQuery(Strict):
    days = fields.Integer(load_default=7, validate=validate.Range(min=1, max=3660))
    after = fields.Integer(load_default=None, validate=validate.Range(min=1, max=2**53))
    limit = fields.Integer(load_default=50, validate=validate.Range(min=1, max=200))


class FailureOut(Schema):
    number = fields.Integer()
    serial = fields.String()
    inventory_ref = fields.String(allow_none=True)
    design = fields.String()
    virtual = fields.Boolean()
    at = fields.AwareDateTime()
    by = fields.String()
    run = fields.String()
    reason = fields.String()


class Failures(Schema):
    failures = fields.List(fields.Nested(FailureOut))
    next = fields.String(allow_none=True, metadata=_CURSOR)


class Cursor(Strict):
    after = fields.String(load_default=None, validate=validate.Length(max=400), metadata=_CURSOR)
    limit = fields.Integer(load_default=200, validate=validate.Range(min=1, max=1000))


class ReadingQuery(Cursor):
    test = fields.String(load_default=None, validate=_NAME)
    since = fields.AwareDateTime(load_default=None)


class FleetReadingQuery(Cursor):
    design = fields.String(required=True, validate=_NAME)
    test = fields.String(required=True, validate=_NAME)
    since = fields.AwareDateTime(load_default=None)


class ReadingOut(Schema):
    serial = fields.String()
    at = fields.AwareDateTime()
    test = fields.String()
    quantity = fields.String()
    value = fields.Float(allow_none=True)
    expanded = fields.Float(allow_none=True, metadata={"description": "U, k = 2"})
    unit = fields.String(allow_none=True)
    verdict = fields.String()
    run = fields.String(allow_none=True, metadata={"description": "null for a report from the field"})
    evidence_class = fields.String()
    author = fields.String()
    report = fields.String()
    judging = fields.String(metadata={"description": "hash of the sheet's judging part it was judged by"})


class Readings(Schema):
    readings = fields.List(fields.Nested(ReadingOut))
    next = fields.String(allow_none=True, metadata=_CURSOR)


class ReportItem(Schema):
    report = fields.String(metadata={"description": "its digest"})
    at = fields.AwareDateTime()
    author = fields.String()
    evidence_class = fields.String()
    run = fields.String(allow_none=True)
    part = fields.Integer(allow_none=True)
    holder = fields.String()
    arrival = fields.String()
    module = fields.String(allow_none=True)
    epoch = fields.Integer(allow_none=True)
    boot = fields.Integer(allow_none=True)
    seq = fields.Integer(allow_none=True)
    verdict = fields.String(allow_none=True)


class Reports(Schema):
    serial = fields.String()
    reports = fields.List(fields.Nested(ReportItem))
    next = fields.String(allow_none=True, metadata=_CURSOR)


class WorkQuery(Cursor):
    holder = fields.String(
        load_default=None, validate=_NAME, metadata={"description": "only what this person's roles allow, by their tokens"}
    )
    role = fields.String(load_default=None, validate=validate.OneOf(ROLES))
    minutes = fields.Integer(
        load_default=None, validate=validate.Range(min=1, max=1440), metadata={"description": "only what fits into this time"}
    )


class WorkItem(Schema):
    serial = fields.String()
    inventory_ref = fields.String(allow_none=True)
    design = fields.String()
    virtual = fields.Boolean()
    state = fields.String()
    act = fields.String(attribute="task")
    what = fields.String()
    hands = fields.Integer(metadata={"description": "seconds that tie a person; an estimate"})
    seconds = fields.Integer(metadata={"description": "the whole time; an estimate"})
    roles = fields.List(fields.String(), metadata={"description": "who may do it"})
    due = fields.AwareDateTime(allow_none=True, metadata={"description": "date of its loan or reservation"})
    method = fields.String(metadata={"description": "with `path`, what settles it"})
    path = fields.String()
    body = fields.Dict(allow_none=True, metadata={"description": "what of the body is known beforehand"})


class Work(Schema):
    work = fields.List(fields.Nested(WorkItem))
    hands = fields.Integer(metadata={"description": "seconds of those on this page together"})
    next = fields.String(allow_none=True, metadata=_CURSOR)
