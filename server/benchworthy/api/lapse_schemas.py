"""Schemas of what certificates lapse by."""

from marshmallow import Schema, fields, validate

from benchworthy.api.schemas import Serial, Strict
from benchworthy.desk.software import KINDS

_CURSOR = {"description": "cursor of the next page, opaque"}
_SENTENCE = validate.Length(min=3, max=500)
_MODULE = validate.Regexp(r"\A[0-9a-f]{2,64}\Z", error="The module's id in lower-case hex, as the bench reads it.")


class Withdrawal(Strict):
    reason = fields.String(required=True, validate=_SENTENCE)


class NewModule(Strict):
    scanned = Serial(required=True, metadata={"description": "the carrier's own label"})
    module = fields.String(
        load_default=None,
        allow_none=True,
        validate=_MODULE,
        metadata={"description": "id of the new module; without it the next complete run binds the one that the bench reads"},
    )
    reason = fields.String(required=True, validate=_SENTENCE)


class ModuleSwapped(Schema):
    serial = fields.String(attribute="board.serial")
    epoch = fields.Integer(attribute="board.epoch")
    module = fields.String(attribute="board.module", allow_none=True)
    version = fields.Integer(attribute="board.version")
    field_key = fields.String(metadata={"description": "hex, told once; written onto the board"})
    broker_password = fields.String(
        metadata={"description": "of the MQTT user that is the serial number; the one before is void"}
    )
    lapsed = fields.List(fields.String(), metadata={"description": "certificates that lapsed by this"})


class ModuleOut(Schema):
    epoch = fields.Integer()
    module = fields.String(allow_none=True, metadata={"description": "null until a complete run or a person told it"})
    bound_by_run = fields.String(allow_none=True)
    since = fields.AwareDateTime()


class Modules(Schema):
    serial = fields.String()
    modules = fields.List(fields.Nested(ModuleOut))
    next = fields.String(allow_none=True, metadata=_CURSOR)


class NewApproval(Strict):
    kind = fields.String(required=True, validate=validate.OneOf(KINDS))
    value = fields.String(
        required=True,
        validate=validate.Length(min=4, max=200),
        metadata={"description": "the firmware's text, or the agent's hash, as reports name it"},
    )
    reason = fields.String(required=True, validate=_SENTENCE)


class ApprovalEnd(Strict):
    reason = fields.String(required=True, validate=_SENTENCE)


class ApprovalOut(Schema):
    number = fields.Integer()
    kind = fields.String()
    value = fields.String()
    reason = fields.String()
    by = fields.String()
    at = fields.AwareDateTime()
    revoked_at = fields.AwareDateTime(allow_none=True)


class Approvals(Schema):
    approved = fields.List(fields.Nested(ApprovalOut))
    next = fields.String(allow_none=True, metadata=_CURSOR)
