"""The report's wire schema: bytes of a payload to a Report, or the one error that says what is wrong.

MQTT, serial and HTTP all come through here. Numbers are whole, unknown names are refused, each name stands once.
"""

import json
import math
from collections.abc import Mapping
from typing import Any

from marshmallow import RAISE, Schema, ValidationError, fields, post_load, validate, validates_schema

from benchworthy.errors import (
    ReportDuplicateKey,
    ReportNotJson,
    ReportNotUtf8,
    ReportNumberNotFinite,
    ReportSchemaMismatch,
)
from benchworthy.reports.report import Reading, Report, Step

MAX_DEPTH = 8
_COUNT = validate.Range(min=0, max=2**53)
_HEX = validate.Regexp(r"\A[0-9a-f]{2,64}\Z")
_HASH = validate.Regexp(r"\A[0-9a-f]{32}\Z")
_SHORT = validate.Length(min=1, max=64)
_TEST = validate.Regexp(r"\A[A-Z0-9]{1,8}(-[A-Z0-9]{1,12}){0,3}\Z")
KINDS = ("steps", "text", "number", "items", "not_run", "error")


class _Strict(Schema):
    class Meta:
        unknown = RAISE


class Whole(fields.Integer):
    """A whole number and nothing that merely looks like one: no 7.0, no true, no "7"."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> int:
        if type(value) is not int:
            raise ValidationError("Not a whole number.")
        return value


class StepField(fields.Field[Step]):
    """Five whole numbers: n, sum, sum of squares, least, greatest; they must fit each other."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Step:
        if not isinstance(value, list) or len(value) != 5 or any(type(v) is not int for v in value):
            raise ValidationError("A step is five whole numbers: n, sum, sum of squares, least, greatest.")
        n, total, squares, least, greatest = value
        if not (1 <= n <= 100_000 and n * least <= total <= n * greatest and total * total <= n * squares):
            raise ValidationError("The numbers of a step do not fit each other.")
        return Step(n, total, squares, least, greatest)


class NumberField(fields.Float):
    """A JSON number. The field it rests on would take the text "5" as well, and a signed text is no number."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> float:
        if type(value) not in (int, float):
            raise self.make_error("invalid", input=value)
        return super()._deserialize(value, attr, data, **kwargs)


class ReadingSchema(_Strict):
    """One test's reading: exactly one of steps, text, number, items, not_run, error."""

    test = fields.String(required=True, validate=_TEST)
    steps = fields.List(StepField(), validate=validate.Length(min=1, max=64))
    text = fields.String(validate=_SHORT)
    number = NumberField(allow_nan=False)
    items = fields.Dict(
        keys=fields.String(validate=_SHORT), values=fields.String(validate=_SHORT), validate=validate.Length(max=64)
    )
    not_run = fields.String(validate=_SHORT)
    error = fields.String(validate=_SHORT)
    draw = Whole(validate=validate.Range(min=1, max=2))

    @validates_schema
    def _one_kind(self, data: Mapping[str, Any], **kwargs: Any) -> None:
        if sum(kind in data for kind in KINDS) != 1:
            raise ValidationError("Exactly one of " + ", ".join(KINDS) + " must be given.")

    @validates_schema
    def _seven_digits(self, data: Mapping[str, Any], **kwargs: Any) -> None:
        number = data.get("number")
        if number is not None and number != float(f"{number:.7g}"):
            raise ValidationError("At most seven significant digits.", "number")

    @post_load
    def _make(self, data: dict[str, Any], **kwargs: Any) -> Reading:
        steps = data.pop("steps", None)
        return Reading(**data, steps=None if steps is None else tuple(steps))


class _AgentSchema(_Strict):
    version = fields.String(required=True, validate=_SHORT)
    hash = fields.String(required=True, validate=_HASH)


class _SeenSchema(_Strict):
    plug = fields.String(allow_none=True, validate=_SHORT)
    stand_in = fields.Boolean(truthy={True}, falsy={False})
    echo = fields.Boolean(truthy={True}, falsy={False})
    ports_before = fields.List(fields.String(validate=_SHORT), validate=validate.Length(max=32))
    ports_after = fields.List(fields.String(validate=_SHORT), validate=validate.Length(max=32))
    sizes = fields.Dict(keys=fields.String(validate=_SHORT), values=Whole(validate=_COUNT), validate=validate.Length(max=64))


class ReportSchema(_Strict):
    """The payload of a report, version 1."""

    v = Whole(required=True, validate=validate.Equal(1))
    serial = fields.String(required=True, validate=validate.Regexp(r"\A[0-9A-Z]{3,24}\Z"))
    module = fields.String(required=True, validate=_HEX)
    design = fields.String(required=True, validate=_SHORT)
    plan = fields.String(required=True, validate=_HASH)
    agent = fields.Nested(_AgentSchema, required=True)
    firmware = fields.String(required=True, validate=_SHORT)
    epoch = Whole(required=True, validate=_COUNT)
    boot = Whole(required=True, validate=_COUNT)
    seq = Whole(required=True, validate=_COUNT)
    ms = Whole(required=True, validate=_COUNT)
    readings = fields.List(fields.Nested(ReadingSchema), required=True, validate=validate.Length(min=1, max=64))
    run = fields.String(validate=validate.Regexp(r"\Ar-[0-9a-z]{4,40}\Z"))
    nonce = fields.String(validate=_HASH)
    part = Whole(validate=validate.Range(min=1, max=99))
    seen = fields.Nested(_SeenSchema)
    clock = fields.String(validate=_SHORT)

    @validates_schema
    def _whole_run(self, data: Mapping[str, Any], **kwargs: Any) -> None:
        given = [name in data for name in ("run", "nonce", "part")]
        if any(given) and not all(given):
            raise ValidationError("run, nonce and part come together or not at all.", "run")

    @validates_schema
    def _each_test_once(self, data: Mapping[str, Any], **kwargs: Any) -> None:
        tests = [reading.test for reading in data.get("readings", ())]
        if len(tests) != len(set(tests)):
            raise ValidationError("Each test may stand once in a report.", "readings")

    @post_load
    def _make(self, data: dict[str, Any], **kwargs: Any) -> Report:
        data.pop("v")
        agent = data.pop("agent")
        data["readings"] = tuple(data["readings"])
        return Report(**data, agent_version=agent["version"], agent_hash=agent["hash"])


_SCHEMA = ReportSchema()


def read_report(payload: bytes) -> Report:
    """Parse and check a payload whose signature was found good. Raises a ReportRefused of its own kind for each fault."""
    values = read_json(payload)
    try:
        report: Report = _SCHEMA.load(values)
    except ValidationError as fault:
        messages = fault.messages
        raise ReportSchemaMismatch(f"The payload does not fit the schema: {_first(messages)}", errors=messages) from fault
    return report


def read_json(payload: bytes) -> dict[str, Any]:
    """One JSON object from bytes: UTF-8, finite, no name twice, bounded depth."""
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError as fault:
        raise ReportNotUtf8("The payload is not UTF-8.") from fault
    if _depth(text) > MAX_DEPTH:
        raise ReportNotJson("The payload is nested too deeply.")
    try:
        values = json.loads(text, object_pairs_hook=_unique, parse_constant=_no_constant, parse_float=_finite)
    except (json.JSONDecodeError, RecursionError) as fault:
        raise ReportNotJson("The payload is not JSON.") from fault
    if not isinstance(values, dict):
        raise ReportNotJson("The payload is not a JSON object.")
    return values


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    values = dict(pairs)
    if len(values) != len(pairs):
        raise ReportDuplicateKey("A name stands twice in one object of the payload.")
    return values


def _no_constant(name: str) -> Any:
    raise ReportNumberNotFinite(f"The payload holds {name}.")


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ReportNumberNotFinite(f"The number {text[:20]} is too large.")
    return number


def _depth(text: str) -> int:
    """An upper bound of the nesting, without parsing: brackets inside texts count too, and no report has many."""
    deepest = depth = 0
    for character in text:
        if character in "[{":
            depth += 1
            deepest = max(deepest, depth)
        elif character in "]}":
            depth -= 1
    return deepest


def _first(messages: Any) -> str:
    """The first message of a nested error, with its path."""
    if isinstance(messages, Mapping):
        key, inner = next(iter(messages.items()))
        return f"{key}: {_first(inner)}"
    return str(messages[0]) if isinstance(messages, list) and messages else str(messages)
