"""What a board is given and asked to do outside a run: its field key, and requests over the broker."""

from typing import Any

from flask import url_for
from flask_smorest import Blueprint

from benchworthy import run_actions
from benchworthy.api import schemas
from benchworthy.api.access import allowed, holder, services
from benchworthy.intake import label

blueprint = Blueprint("requests", __name__, url_prefix="/api/v1", description="Boards outside a run")


@blueprint.post("/boards/<serial>/requests")
@allowed("tester", "desk")
@blueprint.arguments(schemas.NewRequest)
@blueprint.response(202, schemas.RequestOut)
def ask(body: dict[str, Any], serial: str) -> Any:
    """Ask a board in the field to test itself, or to show where it is: lamp and tone for half a minute, never a motor."""
    made = run_actions.ask_board(services(), label.parse(serial), body["do"], holder())
    place = url_for("requests.one", serial=made.serial, number=made.number)
    return made, 202, {"Location": place}


@blueprint.get("/boards/<serial>/requests/<int:number>")
@allowed()
@blueprint.response(200, schemas.RequestOut)
def one(serial: str, number: int) -> Any:
    """A request as it stands; `sent_at` says when the broker took it, not whether the board heard it."""
    return run_actions.request(services(), label.parse(serial), number)


@blueprint.post("/boards/<serial>/field-key")
@allowed("tester")
@blueprint.response(200, schemas.FieldKeyOut)
def field_key(serial: str) -> dict[str, Any]:
    """The board's field key for its installation at a bench; that it was told goes into the board's history."""
    told = run_actions.field_key(services(), label.parse(serial), holder())
    return {"serial": told.board.serial, "epoch": told.board.epoch, "key": told.key, "mqtt": told.mqtt}
