"""What holds for every operation, said once in the OpenAPI document: errors, tokens, the Idempotency-Key."""

from typing import Any, Final

from apispec import BasePlugin
from marshmallow import Schema, fields

from benchworthy.api.once import HEADER

SECURITY: Final[list[Any]] = [{"token": []}]
COMPONENTS: Final = {"securitySchemes": {"token": {"type": "http", "scheme": "bearer"}}}
OPEN: Final[list[Any]] = []  # as `security` of an operation that needs no token
_ONCE: Final = {
    "in": "header",
    "name": HEADER,
    "description": "chosen by the sender; the same request sent again with it is not done again",
    "schema": {"type": "string", "pattern": '^("[!#-\\[\\]-~]{1,128}"|[!#-\\[\\]-~]{1,128})$'},
}


class Problem(Schema):
    """RFC 9457. Other members are facts that go with the code."""

    type = fields.String(required=True)
    title = fields.String(required=True)
    status = fields.Integer(required=True)
    detail = fields.String(required=True)
    code = fields.String(required=True)
    instance = fields.String(required=True)
    errors = fields.Raw(metadata={"description": "what is wrong, by field"})

    class Meta:
        unknown = "include"


class EveryOperation(BasePlugin):
    """Adds the Idempotency-Key to each POST that needs a token."""

    def operation_helper(self, path: str | None = None, operations: Any = None, **kwargs: Any) -> None:
        operation = (operations or {}).get("post")
        if operation is not None and operation.get("security") != OPEN:
            operation["parameters"] = [*operation.get("parameters", ()), _ONCE]
