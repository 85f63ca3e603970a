"""Boards: enrol, list, look at, fitness, history, hold."""

from typing import Any

from flask_smorest import Blueprint

from benchworthy import desk_actions, fleet_actions
from benchworthy.acts.enrolling import Enrolment
from benchworthy.api import fleet_schemas, listing, schemas, tags
from benchworthy.api.access import allowed, holder, services
from benchworthy.history.standing import Wanted
from benchworthy.intake import label

blueprint = Blueprint("boards", __name__, url_prefix="/api/v1", description="Boards and what the desk does with them")


@blueprint.post("/boards")
@allowed("tester", "desk")
@blueprint.arguments(schemas.NewBoard)
@blueprint.response(201, schemas.Enrolled)
def enrol(body: dict[str, Any]) -> dict[str, Any]:
    """Enrol a board by its serial number; virtual or not, for ever. The field key is told once."""
    board, key = desk_actions.enrol(services(), Enrolment(**body), holder())
    password = services().derive_broker_password(board.serial, board.epoch)
    return {**_plain(board), "field_key": key, "broker_password": password}


@blueprint.get("/boards")
@allowed()
@blueprint.arguments(fleet_schemas.BoardQuery, location="query")
@blueprint.response(200, fleet_schemas.BoardList, headers=listing.HEADERS)
@blueprint.alt_response(200, schema=listing.TEXT, content_type=listing.CSV)
def listed(query: dict[str, Any]) -> Any:
    """Boards by serial number with their state, a page at a time, all or by state, design, inventory_ref; also `text/csv`."""
    wanted = Wanted(query["state"], query["design"], query["inventory_ref"])
    found = fleet_actions.boards(services(), wanted, query["after"], query["limit"])
    following = found[-1].board.serial if len(found) == query["limit"] else None
    rows = [{**_plain(one.board), "state": one.state, "fit": one.fit, "until": one.until} for one in found]
    return listing.page("boards", rows, fleet_schemas.BoardItem, following)


@blueprint.get("/boards/<serial>")
@allowed()
@blueprint.response(200, schemas.BoardOut, headers=tags.HEADERS)
def one(serial: str) -> Any:
    """One board's record; its ETag is what a change needs as If-Match."""
    return tags.tagged(desk_actions.fitness(services(), label.parse(serial))[0])


@blueprint.patch("/boards/<serial>")
@allowed("tester", "desk")
@blueprint.arguments(schemas.BoardChange)
@blueprint.response(200, schemas.BoardOut, headers=tags.HEADERS)
@blueprint.doc(parameters=[tags.IF_MATCH])
def change(body: dict[str, Any], serial: str) -> Any:
    """Change the names others give a board. If-Match holds the ETag of what was read; 428 without, 412 when it is old."""
    version = tags.wanted_version()
    return tags.tagged(desk_actions.change_board(services(), label.parse(serial), version, body, holder()))


@blueprint.get("/boards/<serial>/fitness")
@allowed()
@blueprint.response(200, schemas.FitnessOut)
def fitness(serial: str) -> dict[str, Any]:
    """Fit or not; every unmet condition with code, evidence and what to do next."""
    board, answer = desk_actions.fitness(services(), label.parse(serial))
    return {
        "serial": board.serial,
        "fit": answer.fit,
        "answer": answer.answer,
        "state": answer.state,
        "until": answer.until,
        "virtual": board.virtual,
        "unmet": answer.unmet,
        "doubts": answer.doubts,
        "waivers": answer.waivers,
    }


@blueprint.get("/boards/<serial>/history")
@allowed()
@blueprint.arguments(schemas.NumberedPage, location="query")
@blueprint.response(200, schemas.HistoryOut, headers=listing.HEADERS)
@blueprint.alt_response(200, schema=listing.TEXT, content_type=listing.CSV)
def history(query: dict[str, Any], serial: str) -> Any:
    """The board's ledger chain, oldest first, a page at a time; also as `text/csv`."""
    number = label.parse(serial)
    entries = desk_actions.history(services(), number, query["after"], query["limit"])
    following = str(entries[-1].position) if len(entries) == query["limit"] else None
    return listing.page("entries", entries, schemas.EntryOut, following, serial=number)


@blueprint.post("/boards/<serial>/holds")
@allowed("desk", "tester")
@blueprint.arguments(schemas.NewHold)
@blueprint.response(201, schemas.HoldOut)
def hold(body: dict[str, Any], serial: str) -> dict[str, Any]:
    """Hold a board on any doubt."""
    number = label.parse(serial)
    desk_actions.hold(services(), number, body["reason"], holder())
    return {"serial": number, "state": desk_actions.fitness(services(), number)[1].state, "reason": body["reason"]}


def _plain(board: Any) -> dict[str, Any]:
    return {name: getattr(board, name) for name in schemas.BoardOut._declared_fields}
