"""Request and answer schemas of the REST interface. Unknown fields are refused, numbers are strict."""

from collections.abc import Mapping
from typing import Any

from marshmallow import RAISE, Schema, ValidationError, fields, validate, validates_schema

from benchworthy.acts.enrolling import ROLES
from benchworthy.documents.sizes import MOST_LABELS, MOST_PLACES, SHEETS, SINGLES
from benchworthy.errors import SerialInvalid
from benchworthy.intake import label
from benchworthy.intake.wire import ReadingSchema
from benchworthy.reports.request import KINDS

_CODE = validate.Regexp(r"\A[A-Za-z0-9][A-Za-z0-9._-]{0,31}\Z", error="Letters, digits, dot, dash and underscore, at most 32.")
_REFERENCE = validate.Length(min=1, max=64)
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


class TokenOut(Schema):
    secret = fields.String(metadata={"description": "told once"})
    role = fields.String()
    holder = fields.String()
    expires_at = fields.AwareDateTime(allow_none=True)


class NewRun(Strict):
    set = fields.String(required=True, validate=_REFERENCE)
    bench = fields.String(required=True, validate=validate.Length(equal=43))
    scanned = Serial(required=True)
    fixtures = fields.List(
        fields.String(validate=validate.Regexp(r"\A[A-Za-z0-9-]{1,15}:[A-Za-z0-9-]{1,15}\Z")),
        load_default=list,
        validate=validate.Length(max=12),
    )


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


class LabelQuery(Strict):
    size = fields.String(load_default="62x29", validate=validate.OneOf(list(SINGLES)))


class Labels(Strict):
    """On sheets, or each on a page of its own: one of the two is named."""

    serials = fields.List(Serial(), required=True, validate=validate.Length(min=1, max=MOST_LABELS))
    sheet = fields.String(load_default=None, validate=validate.OneOf(list(SHEETS)))
    size = fields.String(load_default=None, validate=validate.OneOf(list(SINGLES)))
    first = fields.Integer(
        strict=True,
        load_default=1,
        validate=validate.Range(min=1, max=MOST_PLACES),
        metadata={"description": "first free place of a sheet already in use, row by row"},
    )

    @validates_schema
    def _one_paper(self, data: Mapping[str, Any], **kwargs: Any) -> None:
        if (data["sheet"] is None) == (data["size"] is None):
            raise ValidationError("Name a sheet or a size, one of the two.", "sheet")
        if data["sheet"] is None and data["first"] != 1:
            raise ValidationError("Only a sheet has places.", "first")


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
    rule = fields.String()
    results = fields.String(metadata={"description": "SHA-256 of the results document"})
    token = fields.String()


class NewLoan(Strict):
    borrower = fields.String(required=True, validate=_CODE)
    due = fields.AwareDateTime(required=True)


class LoanOut(Schema):
    id = fields.String()
    serial = fields.String()
    borrower = fields.String()
    lent_at = fields.AwareDateTime()
    due = fields.AwareDateTime()
    returned_at = fields.AwareDateTime(allow_none=True)


class NewReturn(Strict):
    scanned = Serial(required=True)


class NewCheckIn(Strict):
    run = fields.String(required=True, validate=_REFERENCE)


class CheckInOut(Schema):
    serial = fields.String()
    outcome = fields.String()
    sentence = fields.String()
    lapse = fields.String(allow_none=True)
    moved = fields.List(fields.String(), metadata={"description": "what moved since build, also while in limits"})


class NewHold(Strict):
    reason = fields.String(required=True, validate=_SENTENCE)


class HoldOut(Schema):
    serial = fields.String()
    state = fields.String()
    reason = fields.String()
