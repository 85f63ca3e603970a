"""Request and answer schemas of waivers and of the build."""

from marshmallow import Schema, fields, validate

from benchworthy.api.schemas import Strict


class NewWaiver(Strict):
    test = fields.String(required=True, validate=validate.Length(min=1, max=64), metadata={"description": "id on the sheet"})
    reason = fields.String(required=True, validate=validate.Length(min=3, max=500))
    until = fields.AwareDateTime(required=True, metadata={"description": "at most 90 days ahead"})


class WaiverOut(Schema):
    number = fields.Integer()
    serial = fields.String()
    test = fields.String()
    reason = fields.String()
    by = fields.String()
    at = fields.AwareDateTime()
    until = fields.AwareDateTime()
    ended_at = fields.AwareDateTime(allow_none=True, metadata={"description": "when it was ended before its date; else null"})
    ended_by = fields.String(allow_none=True)


class WaiverList(Schema):
    waivers = fields.List(fields.Nested(WaiverOut))
    next = fields.String(allow_none=True, metadata={"description": "cursor of the next page, opaque"})


class WaiverInForce(Schema):
    number = fields.Integer()
    test = fields.String()
    reason = fields.String()
    by = fields.String()
    until = fields.AwareDateTime()


class StageOut(Schema):
    number = fields.Integer()
    title = fields.String()
    state = fields.String(metadata={"description": "signed, open or closed"})
    builder = fields.String(allow_none=True)
    signed_by = fields.String(allow_none=True)
    at = fields.AwareDateTime(allow_none=True)
    wanting = fields.List(fields.String(), metadata={"description": "gate tests that are not in limits yet"})
