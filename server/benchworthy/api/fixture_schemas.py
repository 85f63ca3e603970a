"""Request and answer schemas of fixtures, reference boards, and recalls of designs."""

from collections.abc import Mapping
from typing import Any

from marshmallow import Schema, ValidationError, fields, validate, validates_schema

from benchworthy.api.schemas import Strict
from benchworthy.intake.wire import NumberField

_SENTENCE = validate.Length(min=3, max=500)
_CURSOR = {"description": "cursor of the next page, opaque"}
_PART = validate.Regexp(r"\A[A-Za-z0-9-]{1,15}\Z", error="Letters, digits and dashes, at most 15.")
_RUN = validate.Length(min=1, max=40)


class NewFixture(Strict):
    serial = fields.String(required=True, validate=_PART, metadata={"description": "its own serial number"})
    kind = fields.String(required=True, validate=_PART, metadata={"description": "as the sheets name it; meter, cable, supply"})
    values = fields.Dict(
        keys=fields.String(validate=validate.Length(min=1, max=48)),
        values=NumberField(allow_nan=False),
        load_default=dict,
        validate=validate.Length(max=40),
        metadata={"description": "measured values by name and unit, such as `PR1 in ohm`"},
    )
    note = fields.String(load_default="", validate=validate.Length(max=500))


class FixtureHoldOut(Schema):
    reason = fields.String()
    by = fields.String()
    since = fields.AwareDateTime()


class FixtureOut(Schema):
    fixture = fields.String(attribute="fixture.name", metadata={"description": "kind:serial, as a run names it"})
    serial = fields.String(attribute="fixture.serial")
    kind = fields.String(attribute="fixture.kind")
    state = fields.String(metadata={"description": "good, good for virtual boards, check due or held"})
    due = fields.AwareDateTime(allow_none=True, metadata={"description": "until when it is vouched for"})
    added_at = fields.AwareDateTime(attribute="fixture.added_at")
    hold = fields.Nested(FixtureHoldOut, allow_none=True, attribute="fixture.hold")


class Fixtures(Schema):
    fixtures = fields.List(fields.Nested(FixtureOut))
    next = fields.String(allow_none=True, metadata=_CURSOR)


class CheckOut(Schema):
    way = fields.String(metadata={"description": "run, calibration or fault"})
    good = fields.Boolean()
    since = fields.AwareDateTime(
        allow_none=True, metadata={"description": "good: vouched for from then; bad: in doubt from then, null: since ever"}
    )
    until = fields.AwareDateTime()
    told = fields.String()
    by = fields.String()
    at = fields.AwareDateTime()
    run = fields.String(allow_none=True)
    certificate_no = fields.String(allow_none=True)
    virtual = fields.Boolean(metadata={"description": "the reference board was a simulation: vouches for virtual boards only"})


class UseOut(Schema):
    run = fields.String()
    serial = fields.String()
    set = fields.String(attribute="test_set")
    opened_by = fields.String()
    opened_at = fields.AwareDateTime()
    complete = fields.Boolean()
    verdict = fields.String(allow_none=True)
    outs = fields.List(fields.String())


class FixtureRecord(Schema):
    fixture = fields.String(attribute="standing.fixture.name")
    serial = fields.String(attribute="standing.fixture.serial")
    kind = fields.String(attribute="standing.fixture.kind")
    state = fields.String(
        attribute="standing.state", metadata={"description": "good, good for virtual boards, check due or held"}
    )
    due = fields.AwareDateTime(allow_none=True, attribute="standing.due")
    added_at = fields.AwareDateTime(attribute="standing.fixture.added_at")
    hold = fields.Nested(FixtureHoldOut, allow_none=True, attribute="standing.fixture.hold")
    values = fields.Dict(keys=fields.String(), values=fields.Float())
    note = fields.String()
    enrolled_by = fields.String()
    checks = fields.List(fields.Nested(CheckOut), metadata={"description": "newest first, at most 50"})
    times_used = fields.Integer()
    runs = fields.List(
        fields.Nested(UseOut), attribute="uses", metadata={"description": "newest first, at most 50, with what was out in each"}
    )


class NewCheck(Strict):
    """By a run on a reference board, or, for what no test uses, by a paper or a look."""

    run = fields.String(validate=_RUN)
    calibrated_until = fields.AwareDateTime()
    calibrated_on = fields.AwareDateTime(load_default=None, metadata={"description": "default now"})
    certificate_no = fields.String(load_default=None, validate=validate.Length(min=1, max=64))
    seen = fields.String(validate=_SENTENCE)

    @validates_schema
    def _one_way(self, data: Mapping[str, Any], **kwargs: Any) -> None:
        paper = "calibrated_until" in data and "seen" in data
        parts = any(data.get(name) is not None for name in ("calibrated_until", "calibrated_on", "certificate_no", "seen"))
        if ("run" in data) == paper or ("run" in data and parts):
            raise ValidationError("Give a run, or calibrated_until and seen.")


class ComparedOut(Schema):
    test = fields.String()
    quantity = fields.String()
    unit = fields.String()
    then = fields.Float()
    now = fields.Float()
    allowed = fields.Float(metadata={"description": "both U (k = 2), root of the sum of squares"})
    agrees = fields.Boolean()


class ReachedOut(Schema):
    serial = fields.String()
    place = fields.String(metadata={"description": "here, on loan or missing"})
    borrower = fields.String(allow_none=True)
    due = fields.AwareDateTime(allow_none=True)
    held = fields.Boolean(allow_none=True, metadata={"description": "null: its hold is still to be entered; false: released"})


class CheckAnswer(Schema):
    fixture = fields.String()
    state = fields.String()
    check = fields.Nested(CheckOut)
    compared = fields.List(fields.Nested(ComparedOut))
    lapsed = fields.List(fields.String(), metadata={"description": "certificates that lapsed by this (LAPSE-FIXTURE)"})
    boards = fields.List(fields.Nested(ReachedOut), metadata={"description": "the boards of those certificates"})


class NewFault(Strict):
    seen = fields.String(required=True, validate=_SENTENCE)


class NewReason(Strict):
    reason = fields.String(required=True, validate=_SENTENCE)


class NewReference(NewReason):
    run = fields.String(load_default=None, validate=_RUN, metadata={"description": "its record; default the newest that will do"})
    bootstrap = fields.Boolean(
        truthy={True},
        falsy={False},
        load_default=False,
        metadata={"description": "first reference of the design: its record may rest on fixtures nobody checked, and says so"},
    )


class ReferenceOut(Schema):
    serial = fields.String()
    run = fields.String()
    reason = fields.String()
    unchecked = fields.List(fields.String(), metadata={"description": "fixtures of the record run that nobody had checked"})
    by = fields.String()
    at = fields.AwareDateTime()


class References(Schema):
    boards = fields.List(fields.Nested(ReferenceOut))
    next = fields.String(allow_none=True, metadata=_CURSOR)


class RecallOut(Schema):
    design = fields.String()
    reason = fields.String()
    by = fields.String()
    at = fields.AwareDateTime()
    ended_at = fields.AwareDateTime(allow_none=True)


class Recalled(RecallOut):
    boards = fields.List(fields.Nested(ReachedOut))
    next = fields.String(allow_none=True, metadata=_CURSOR)


class DesignOut(Schema):
    design = fields.String(attribute="name")
    title = fields.String()
    judging_hash = fields.String()
    guide_hash = fields.String()
    catalogue = fields.Integer(metadata={"description": "tests in the trade's catalogue for this board"})
    tests = fields.Integer()
    sets = fields.Dict(keys=fields.String(), values=fields.String())
    stages = fields.List(fields.Integer())
    fixtures = fields.List(fields.String(), metadata={"description": "kinds that its tests use"})
    boards = fields.Integer(metadata={"description": "of this site, not retired"})
    recall = fields.Nested(RecallOut, allow_none=True)


class Designs(Schema):
    designs = fields.List(fields.Nested(DesignOut))
    next = fields.String(allow_none=True, metadata=_CURSOR)
