"""Request and answer schemas of what the desk does with a board between loans."""

from marshmallow import Schema, fields, validate

from benchworthy.api.schemas import Strict
from benchworthy.api.waiver_schemas import StageOut, WaiverInForce

_CODE = validate.Regexp(r"\A[A-Za-z0-9][A-Za-z0-9._-]{0,31}\Z", error="Letters, digits, dot, dash and underscore, at most 32.")
_SENTENCE = validate.Length(min=3, max=500)
_NUMBER = validate.Range(min=1, max=2**53)


class NewDefect(Strict):
    seen = fields.String(required=True, validate=_SENTENCE)


class NewRepair(Strict):
    part = fields.String(
        required=True, validate=validate.Length(min=1, max=32), metadata={"description": "as on the carrier: R17"}
    )
    lot = fields.String(load_default=None, validate=validate.Length(min=1, max=64))
    seen = fields.String(required=True, validate=_SENTENCE)
    defects = fields.List(
        fields.Integer(strict=True, validate=_NUMBER),
        load_default=list,
        validate=validate.Length(max=50),
        metadata={"description": "numbers of the open defects that it mends"},
    )


class NewRelease(Strict):
    reason = fields.String(required=True, validate=_SENTENCE)


class NewReservation(Strict):
    borrower = fields.String(required=True, validate=_CODE)
    until = fields.AwareDateTime(required=True)


class NewRetirement(Strict):
    reason = fields.String(required=True, validate=_SENTENCE)
    for_parts = fields.Boolean(truthy={True}, falsy={False}, load_default=False, metadata={"description": "it gives spares"})


class NewSignOff(Strict):
    builder = fields.String(required=True, validate=_CODE, metadata={"description": "who built it; whoever asks looked at it"})


class SignOffOut(Schema):
    stage = fields.Integer()
    builder = fields.String()
    inspector = fields.String()
    at = fields.AwareDateTime()


class OpenHoldOut(Schema):
    id = fields.Integer(metadata={"description": "the number by which it is released"})
    code = fields.String()
    reason = fields.String()
    by = fields.String()
    since = fields.AwareDateTime()


class DefectOut(Schema):
    id = fields.Integer()
    seen = fields.String()
    since = fields.AwareDateTime()


class RepairOut(Schema):
    part = fields.String()
    stage = fields.Integer()
    at = fields.AwareDateTime()


class ReservationOut(Schema):
    borrower = fields.String()
    until = fields.AwareDateTime()


class RetirementOut(Schema):
    reason = fields.String()
    for_parts = fields.Boolean()
    at = fields.AwareDateTime()


class NewestLoanOut(Schema):
    id = fields.String()
    borrower = fields.String()
    lent_at = fields.AwareDateTime()
    due = fields.AwareDateTime()
    returned_at = fields.AwareDateTime(allow_none=True)


class WaitingCheckInOut(Schema):
    set = fields.String(attribute="test_set")
    reasons = fields.List(fields.String())


class LifeOut(Schema):
    serial = fields.String()
    state = fields.String()
    hold = fields.Nested(OpenHoldOut, allow_none=True)
    defects = fields.List(fields.Nested(DefectOut), attribute="life.defects")
    repairs = fields.List(fields.Nested(RepairOut), attribute="life.repairs")
    waivers = fields.List(fields.Nested(WaiverInForce), attribute="life.waivers")
    stages = fields.List(fields.Nested(StageOut), metadata={"description": "every stage of the build as it stands"})
    sign_offs = fields.List(fields.Nested(SignOffOut), attribute="life.sign_offs")
    reservation = fields.Nested(ReservationOut, allow_none=True, attribute="life.reservation")
    missing_since = fields.AwareDateTime(allow_none=True, attribute="life.missing_since")
    retirement = fields.Nested(RetirementOut, allow_none=True, attribute="life.retired")
    loan = fields.Nested(NewestLoanOut, allow_none=True, metadata={"description": "the newest one"})
    check_in = fields.Nested(WaitingCheckInOut, allow_none=True, metadata={"description": "how deep a return is looked at"})
    returns = fields.Integer(attribute="life.returns")
    remark_waiting = fields.Boolean(attribute="life.remark_waiting")
