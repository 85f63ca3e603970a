"""What the desk does with a board between loans; each act answers with what is on record of the board after it."""

from typing import Any

from flask_smorest import Blueprint

from benchworthy import desk_actions
from benchworthy.acts.upkeep import Repair
from benchworthy.api import upkeep_schemas as schemas
from benchworthy.api.access import allowed, holder, role, services
from benchworthy.desk.states import RULES, Act
from benchworthy.intake import label

blueprint = Blueprint("upkeep", __name__, url_prefix="/api/v1", description="Boards between loans")


def _who(act: Act) -> Any:
    """Let in whom the desk's own table names."""
    return allowed(*(sorted(RULES[act].roles) or ("coordinator",)))


@blueprint.get("/boards/<serial>/life")
@allowed()
@blueprint.response(200, schemas.LifeOut)
def life(serial: str) -> Any:
    """The board's state and what the desk has on record: hold, defects, repairs, reservation, loan, loss, retirement."""
    return desk_actions.record(services(), label.parse(serial))


@blueprint.post("/boards/<serial>/defects")
@_who(Act.DEFECT)
@blueprint.arguments(schemas.NewDefect)
@blueprint.response(201, schemas.LifeOut)
def defect(body: dict[str, Any], serial: str) -> Any:
    """Report a defect: the board is held at once and its certificate lapses."""
    return desk_actions.report_defect(services(), label.parse(serial), body["seen"], holder())


@blueprint.post("/boards/<serial>/defects/<int:number>/no-fault-found")
@_who(Act.RELEASE)
@blueprint.response(200, schemas.LifeOut)
def no_fault_found(serial: str, number: int) -> Any:
    """Close a defect after three complete runs of the whole set in which nothing was found."""
    return desk_actions.close_defect(services(), label.parse(serial), number, holder())


@blueprint.post("/boards/<serial>/repairs")
@_who(Act.REPAIR)
@blueprint.arguments(schemas.NewRepair)
@blueprint.response(201, schemas.LifeOut)
def repair(body: dict[str, Any], serial: str) -> Any:
    """Record a repair: it closes the defects it mends, lapses the certificate and asks for the whole set."""
    done = Repair(body["part"], body["lot"], body["seen"], tuple(body["defects"]))
    return desk_actions.repair(services(), label.parse(serial), done, holder())


@blueprint.post("/boards/<serial>/holds/<int:number>/release")
@_who(Act.RELEASE)
@blueprint.arguments(schemas.NewRelease)
@blueprint.response(200, schemas.LifeOut)
def release(body: dict[str, Any], serial: str, number: int) -> Any:
    """Release a hold whose doubt is settled; that alone makes no board fit."""
    return desk_actions.release(services(), label.parse(serial), number, body["reason"], holder(), role())


@blueprint.post("/boards/<serial>/reservation")
@_who(Act.RESERVE)
@blueprint.arguments(schemas.NewReservation)
@blueprint.response(201, schemas.LifeOut)
def reserve(body: dict[str, Any], serial: str) -> Any:
    """Keep a fit board for one borrower until a date; a later reservation takes the place of the one before."""
    return desk_actions.keep_for(services(), label.parse(serial), body["borrower"], body["until"], holder())


@blueprint.post("/boards/<serial>/loss")
@_who(Act.MISS)
@blueprint.response(201, schemas.LifeOut)
def lose(serial: str) -> Any:
    """Record a board on loan as missing, thirty days after its date or when a coordinator says so."""
    return desk_actions.lose(services(), label.parse(serial), holder(), role())


@blueprint.post("/boards/<serial>/retirement")
@_who(Act.RETIRE)
@blueprint.arguments(schemas.NewRetirement)
@blueprint.response(201, schemas.LifeOut)
def retire(body: dict[str, Any], serial: str) -> Any:
    """Retire a board for ever; its history stays, and its serial number is never used again."""
    return desk_actions.retire(services(), label.parse(serial), body["reason"], body["for_parts"], holder(), role())


@blueprint.post("/boards/<serial>/stages/<int:stage>")
@_who(Act.SIGN_OFF)
@blueprint.arguments(schemas.NewSignOff)
@blueprint.response(201, schemas.LifeOut)
def sign_off(body: dict[str, Any], serial: str, stage: int) -> Any:
    """Sign a stage of the build: its gate tests are in limits, the stages before it are signed, and a second person looked."""
    return desk_actions.sign_off(services(), label.parse(serial), stage, body["builder"], holder())
