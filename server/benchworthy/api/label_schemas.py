"""Request schemas of labels."""

from collections.abc import Mapping
from typing import Any

from marshmallow import ValidationError, fields, validate, validates_schema

from benchworthy.api.schemas import Serial, Strict
from benchworthy.documents.sizes import MOST_LABELS, MOST_PLACES, SHEETS, SINGLES


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
