"""A stage of the build is signed, on the evidence of its gate tests and by a second person."""

from benchworthy.acts.gather import board_of, facts_of
from benchworthy.desk import stages
from benchworthy.desk.fitness import fitness
from benchworthy.desk.life import SignOff
from benchworthy.desk.states import Act, refusal
from benchworthy.errors import ActRefused
from benchworthy.evidence.recording import enter
from benchworthy.ports import Services, Work


def sign_off(serial: str, stage: int, builder: str, holder: str, work: Work, services: Services) -> None:
    """Whoever asks has looked at the stage; `builder` made it. Raises ActRefused with everything that is wanting."""
    board = board_of(serial, work, services)
    facts, sheet = facts_of(board, work, services), services.find_sheet(board.design)
    wanting = stages.gates_wanting(facts, stage, sheet)
    unmet = [
        *refusal(Act.SIGN_OFF, fitness(facts, services.now()).state, serial),
        *stages.unmet_conditions(facts, stage, stages.known(sheet), builder, holder, services.one_person, wanting),
    ]
    if unmet:
        told = [{"code": u.code, "what": u.what, "evidence": u.evidence, "next": u.next} for u in unmet]
        raise ActRefused(f"Stage {stage} of {serial} is not signed: " + " ".join(u.what for u in unmet), unmet=told)
    work.life.add_sign_off(serial, SignOff(stage, builder, holder, services.now()))
    enter(board, "stage-signed", holder, {"stage": stage, "builder": builder}, work, services)
