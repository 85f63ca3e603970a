"""Schemas of what other programs come for."""

from marshmallow import Schema, fields, validate

from benchworthy.api.schemas import BenchOut, Strict

_CURSOR = {"description": "cursor of the next page, opaque"}


class ChangeOut(Schema):
    number = fields.Integer(metadata={"description": "over all boards; never goes back"})
    at = fields.String()
    serial = fields.String()
    kind = fields.String()
    holder = fields.String()
    facts = fields.Dict()


class Changes(Schema):
    changes = fields.List(fields.Nested(ChangeOut))
    last = fields.Integer(metadata={"description": "what to send as `after` next time"})
    next = fields.String(allow_none=True, metadata=_CURSOR)


class ImportQuery(Strict):
    dry_run = fields.Boolean(truthy={"true"}, falsy={"false"}, load_default=False)


class ImportLine(Schema):
    line = fields.Integer()
    serial = fields.String()
    wrong = fields.String(allow_none=True)


class ImportOut(Schema):
    dry_run = fields.Boolean()
    enrolled = fields.Integer()
    lines = fields.List(fields.Nested(ImportLine))


class KnownToken(Schema):
    token = fields.String(metadata={"description": "the first characters of its fingerprint, as in the ledger"})
    role = fields.String()
    scope = fields.String()
    holder = fields.String()
    created_at = fields.AwareDateTime()
    expires_at = fields.AwareDateTime(allow_none=True)
    revoked_at = fields.AwareDateTime(allow_none=True)


class Tokens(Schema):
    tokens = fields.List(fields.Nested(KnownToken))
    next = fields.String(allow_none=True, metadata=_CURSOR)


class KnownBench(BenchOut):
    revoked_at = fields.AwareDateTime(allow_none=True)


class Benches(Schema):
    benches = fields.List(fields.Nested(KnownBench))
    next = fields.String(allow_none=True, metadata=_CURSOR)


class BenchRevocation(Strict):
    since = fields.AwareDateTime(required=True, metadata={"description": "runs opened there from this moment on count no more"})
    reason = fields.String(required=True, validate=validate.Length(min=3, max=500))


class BenchRevoked(Schema):
    thumbprint = fields.String()
    name = fields.String()
    revoked_at = fields.AwareDateTime()
    lapsed = fields.List(fields.String(), metadata={"description": "certificates that lapsed by this"})
