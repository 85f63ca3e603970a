"""Schemas of run tickets."""

from marshmallow import Schema, fields, validate

from benchworthy.api.schemas import AtTheBench, Serial, Strict
from benchworthy.desk.tickets import MOST

_NAME = validate.Length(min=1, max=64)
_CODE = validate.Regexp(r"\A[A-Za-z0-9][A-Za-z0-9._-]{0,31}\Z", error="Letters, digits, dot, dash and underscore, at most 32.")


class NewTickets(Strict):
    count = fields.Integer(strict=True, required=True, validate=validate.Range(min=1, max=MOST))
    set = fields.String(required=True, validate=_NAME)
    design = fields.String(required=True, validate=_NAME)


class SheetPartOut(Schema):
    design = fields.String()
    plan = fields.String()
    parts = fields.List(fields.Dict())
    ask = fields.List(fields.Dict())
    state_files = fields.Dict()
    stage = fields.Dict(allow_none=True, metadata={"description": "of the build, what to look at first; null for a whole board"})


class NewTicketOut(Schema):
    run = fields.String()
    expires = fields.AwareDateTime()
    token = fields.String(
        metadata={
            "description": "a JWS of type benchworthy-ticket under the site's key, and a secret: claims run, nonce, key, bench, "
            "site, design, set, sheet (SHA-256 of `sheet` as JSON with sorted names and no spaces), draws, iat, exp"
        }
    )


class TicketsOut(Schema):
    sheet = fields.Nested(SheetPartOut, metadata={"description": "what is the same for all of them"})
    tickets = fields.List(fields.Nested(NewTicketOut))


class TicketUse(AtTheBench):
    """What opens a run, without what the ticket says already."""

    serial = Serial(required=True)
    opened_at = fields.AwareDateTime(
        required=True, metadata={"description": "by the bench's clock; believed between the ticket's issue and now"}
    )
    holder = fields.String(
        load_default=None, validate=_CODE, metadata={"description": "code of who was at the bench; default: whoever asks"}
    )


class KnownTicket(Schema):
    run = fields.String()
    design = fields.String()
    set = fields.String()
    state = fields.String(metadata={"description": "waiting, used, expired, or dead with its bench's key"})
    issued_by = fields.String()
    issued_at = fields.AwareDateTime()
    expires_at = fields.AwareDateTime()
    used_at = fields.AwareDateTime(allow_none=True)
    serial = fields.String(allow_none=True)


class KnownTickets(Schema):
    tickets = fields.List(fields.Nested(KnownTicket))
    next = fields.String(allow_none=True, metadata={"description": "cursor of the next page, opaque"})
