"""Request and answer schemas of the REST interface. Unknown fields are refused, numbers are strict."""

from collections.abc import Mapping
from typing import Any

from marshmallow import RAISE, Schema, ValidationError, fields, validate, validates_schema

from benchworthy.acts.enrolling import ROLES, SCOPES
from benchworthy.errors import SerialInvalid
from benchworthy.intake import label
from benchworthy.intake.wire import ReadingSchema
from benchworthy.reports.request import KINDS

_CODE = validate.Regexp(r"\A[A-Za-z0-9][A-Za-z0-9._-]{0,31}\Z", error="Letters, digits, dot, dash and underscore, at most 32.")
_REFERENCE = validate.Length(min=1, max=64)
_MODULE = validate.Regexp(r"\A[0-9a-f]{8,64}\Z", error="8 to 64 hexadecimal digits in lower case, as the bench reads them.")
_SENTENCE = validate.Length(min=3, max=500)


class Strict(Schema):
    class Meta:
        unknown = RAISE


class Serial(fields.String):
    """A serial number, read as a label: its check character must fit."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> str:
        text = super()._deserialize(value, attr, data, **kwargs)
        try:
            return label.parse(text or "")
        except SerialInvalid as fault:
            raise ValidationError(str(fault)) from fault


class NewBoard(Strict):
    serial = Serial(required=True)
    design = fields.String(required=True, validate=_REFERENCE)
    virtual = fields.Boolean(truthy={True}, falsy={False}, load_default=False)
    kit_lot = fields.String(load_default=None, validate=_REFERENCE)
    inventory_ref = fields.String(load_default=None, validate=_REFERENCE)
    place = fields.String(load_default=None, validate=_REFERENCE)
    note = fields.String(load_default=None, validate=_SENTENCE, metadata={"description": "no names of persons"})
    module = fields.String(load_default=None, validate=_MODULE, metadata={"description": "its module's id in hex, where known"})
    staged = fields.Boolean(
        truthy={True}, falsy={False}, load_default=False, metadata={"description": "this house builds it stage by stage"}
    )


class BoardOut(Schema):
    serial = fields.String()
    site = fields.String()
    design = fields.String()
    virtual = fields.Boolean()
    epoch = fields.Integer()
    module = fields.String(allow_none=True)
    kit_lot = fields.String(allow_none=True)
    inventory_ref = fields.String(allow_none=True)
    enrolled_at = fields.AwareDateTime()
    version = fields.Integer()
    place = fields.String(allow_none=True)
    note = fields.String(allow_none=True)
    staged = fields.Boolean()


class Enrolled(BoardOut):
    field_key = fields.String(metadata={"description": "hex, told once; written onto the board"})
    broker_password = fields.String(metadata={"description": "of the MQTT user that is the serial number"})


class Page(Strict):
    after = fields.String(load_default="", validate=validate.Length(max=64))
    limit = fields.Integer(load_default=50, validate=validate.Range(min=1, max=200))


class NumberedPage(Strict):
    after = fields.Integer(load_default=0, validate=validate.Range(min=0, max=2**53))
    limit = fields.Integer(load_default=200, validate=validate.Range(min=1, max=1000))


class BoardChange(Strict):
    kit_lot = fields.String(allow_none=True, validate=_REFERENCE)
    inventory_ref = fields.String(allow_none=True, validate=_REFERENCE)
    place = fields.String(allow_none=True, validate=_REFERENCE)
    note = fields.String(allow_none=True, validate=_SENTENCE)


class UnmetOut(Schema):
    code = fields.String()
    what = fields.String()
    evidence = fields.String()
    next = fields.String()


class FitnessOut(Schema):
    serial = fields.String()
    fit = fields.Boolean()
    answer = fields.String(metadata={"description": "fit, fails, not certified or no evidence"})
    state = fields.String()
    until = fields.AwareDateTime(allow_none=True)
    virtual = fields.Boolean()
    unmet = fields.List(fields.Nested(UnmetOut))
    doubts = fields.List(
        fields.Nested(UnmetOut), metadata={"description": "heard from the field; they keep nothing here by themselves"}
    )
    waivers = fields.List(fields.Nested("WaiverInForce"), metadata={"description": "in force"})


class EntryOut(Schema):
    position = fields.Integer()
    at = fields.String()
    kind = fields.String()
    holder = fields.String()
    facts = fields.Dict()
    text_hash = fields.String(allow_none=True)
    previous = fields.String()
    hash = fields.String()


class HistoryOut(Schema):
    serial = fields.String()
    entries = fields.List(fields.Nested(EntryOut))
    next = fields.String(allow_none=True, metadata={"description": "cursor of the next page, opaque"})


class NewBench(Strict):
    name = fields.String(required=True, validate=_REFERENCE)
    jwk = fields.Dict(required=True, metadata={"description": "public Ed25519 key, RFC 8037"})


class BenchOut(Schema):
    thumbprint = fields.String()
    name = fields.String()
    holder = fields.String()
    added_at = fields.AwareDateTime()


class NewToken(Strict):
    role = fields.String(required=True, validate=validate.OneOf(ROLES))
    holder = fields.String(required=True, validate=_CODE)
    days = fields.Integer(strict=True, load_default=None, validate=validate.Range(min=1, max=3650))
    scope = fields.String(
        load_default="all",
        validate=validate.OneOf(SCOPES),
        metadata={"description": "narrows the role: `read` changes nothing, `reports` delivers evidence and does nothing else"},
    )


class TokenOut(Schema):
    secret = fields.String(metadata={"description": "told once"})
    role = fields.String()
    holder = fields.String()
    scope = fields.String()
    expires_at = fields.AwareDateTime(allow_none=True)


class AtTheBench(Strict):
    """What stands before somebody at a bench."""

    scanned = Serial(required=True)
    fixtures = fields.List(
        fields.String(validate=validate.Regexp(r"\A[A-Za-z0-9-]{1,15}:[A-Za-z0-9-]{1,15}\Z")),
        load_default=list,
        validate=validate.Length(max=12),
    )


class NewRun(AtTheBench):
    set = fields.String(validate=_REFERENCE)
    stage = fields.Integer(
        strict=True,
        validate=validate.Range(min=1, max=99),
        metadata={"description": "instead of a set: the tests of a board built up to this stage; it never certifies"},
    )
    bench = fields.String(required=True, validate=validate.Length(equal=43))

    @validates_schema
    def _one_of_two(self, data: Mapping[str, Any], **kwargs: Any) -> None:
        if ("set" in data) == ("stage" in data):
            raise ValidationError("Name a set or a stage, one of the two.", "set")


class RunOpened(Schema):
    run = fields.String()
    nonce = fields.String()
    key = fields.String(metadata={"description": "run key in hex, a secret; into the board's RAM only"})
    expires = fields.AwareDateTime()
    design = fields.String()
    epoch = fields.Integer()
    virtual = fields.Boolean()
    plan = fields.String()
    parts = fields.List(fields.Dict())
    draws = fields.List(fields.Dict())
    ask = fields.List(fields.Dict())
    state_files = fields.Dict(metadata={"description": "largest size of each file that may change on the board"})
    mqtt = fields.Dict(allow_none=True)
    stage = fields.Dict(allow_none=True, metadata={"description": "of a half-built board: what to look at before the power"})


class Answers(Strict):
    answers = fields.List(fields.Nested(ReadingSchema), required=True, validate=validate.Length(min=1, max=32))

    @validates_schema
    def _people_say(self, data: Mapping[str, Any], **kwargs: Any) -> None:
        if any(given.steps is not None or given.error is not None for given in data.get("answers", ())):
            raise ValidationError("A person answers with text, number, items or not_run.", "answers")


class DrawAgain(Strict):
    test = fields.String(required=True, validate=_REFERENCE)


class DrawOut(Schema):
    test = fields.String()
    draw = fields.Integer()
    stimulus = fields.Dict()


class QuantityOut(Schema):
    name = fields.String()
    value = fields.Float()
    unit = fields.String()
    expanded = fields.Float(metadata={"description": "U, k = 2"})
    low = fields.Float(allow_none=True)
    high = fields.Float(allow_none=True)
    verdict = fields.String()
    conformity = fields.Float()


class OutcomeOut(Schema):
    test = fields.String()
    verdict = fields.String()
    sentence = fields.String()
    draws = fields.List(fields.String())
    quantities = fields.List(fields.Nested(QuantityOut))


class NeedOut(Schema):
    code = fields.String()
    test = fields.String(allow_none=True)
    what = fields.String()


class RunOut(Schema):
    run = fields.String()
    serial = fields.String()
    set = fields.String()
    opened_by = fields.String()
    opened_at = fields.AwareDateTime()
    expires_at = fields.AwareDateTime()
    closed_at = fields.AwareDateTime(allow_none=True)
    complete = fields.Boolean()
    verdict = fields.String(allow_none=True)
    waived = fields.List(fields.String(), metadata={"description": "tests let go that are not in limits here"})
    tests = fields.List(fields.Nested(OutcomeOut))
    still_needed = fields.List(fields.Nested(NeedOut))
    arrived = fields.List(fields.Dict())
    findings = fields.List(fields.Dict())
    fixtures = fields.List(fields.String())


class ReceiptOut(Schema):
    v = fields.Integer()
    report = fields.String()
    verdict = fields.String()
    mac = fields.String()


class NewRequest(Strict):
    do = fields.String(required=True, validate=validate.OneOf(KINDS))


class RequestOut(Schema):
    serial = fields.String()
    number = fields.Integer()
    do = fields.String()
    made_at = fields.AwareDateTime()
    by = fields.String()
    sent_at = fields.AwareDateTime(allow_none=True, metadata={"description": "when the broker took it; null before"})


class FieldKeyOut(Schema):
    serial = fields.String()
    epoch = fields.Integer()
    key = fields.String(metadata={"description": "hex, a secret; into the board's state file only"})
    mqtt = fields.Dict(
        allow_none=True, metadata={"description": "access to the broker, where this site's boards may keep it; else null"}
    )


class Certify(Strict):
    run = fields.String(load_default=None, validate=_REFERENCE)


class CertificateOut(Schema):
    id = fields.String()
    serial = fields.String()
    run = fields.String()
    virtual = fields.Boolean()
    issued_at = fields.AwareDateTime()
    valid_until = fields.AwareDateTime()
    issued_by = fields.String()
    lapse = fields.String(allow_none=True)
    lapsed_at = fields.AwareDateTime(allow_none=True)
    coverage = fields.String()
    waived = fields.List(fields.String(), metadata={"description": "tests that were let go"})
    one_person = fields.Boolean(metadata={"description": "one person did what two do elsewhere"})
    rule = fields.String()
    results = fields.String(metadata={"description": "SHA-256 of the results document"})
    token = fields.String()


class NewHold(Strict):
    reason = fields.String(required=True, validate=_SENTENCE)


class HoldOut(Schema):
    serial = fields.String()
    state = fields.String()
    reason = fields.String()
