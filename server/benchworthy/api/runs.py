"""Runs and reports: opened, filled by their authors, judged as they stand, closed."""

from typing import Any

from flask import Response, request
from flask_smorest import Blueprint
from werkzeug.exceptions import UnsupportedMediaType

from benchworthy import pipeline, run_actions
from benchworthy.acts.runs import Opening
from benchworthy.api import schemas
from benchworthy.api.access import allowed, holder, role, services
from benchworthy.designs.sheet import stage_set
from benchworthy.errors import ReportTooLarge
from benchworthy.intake import label
from benchworthy.reports.token import MAX_BYTES

blueprint = Blueprint("runs", __name__, url_prefix="/api/v1", description="Runs, reports, answers")


@blueprint.post("/reports")
@blueprint.doc(security=[], requestBody={"required": True, "content": {"application/jose": {"schema": {"type": "string"}}}})
@blueprint.response(201, schemas.ReceiptOut)
@blueprint.alt_response(200, schema=schemas.ReceiptOut)
def report() -> Response:
    """Deliver one report, a JWS as `application/jose`: 201 new, 200 seen before. The signature is the permission."""
    if request.mimetype != "application/jose":
        raise UnsupportedMediaType("A report is sent as application/jose.")
    raw = request.stream.read(MAX_BYTES + 1)
    if len(raw) > MAX_BYTES:
        raise ReportTooLarge(f"The report has more than {MAX_BYTES} bytes.", limit=MAX_BYTES)
    received = pipeline.receive(raw.strip(), "http", services())
    return Response(received.receipt, 201 if received.new else 200, mimetype="application/json")


@blueprint.post("/boards/<serial>/runs")
@allowed("tester", "desk")
@blueprint.arguments(schemas.NewRun)
@blueprint.response(201, schemas.RunOpened)
def open_run(body: dict[str, Any], serial: str) -> dict[str, Any]:
    """Open a run at a bench. The answer holds the run key, a secret for the board's RAM."""
    wanted_set = stage_set(body["stage"]) if "stage" in body else body["set"]
    wanted = Opening(label.parse(serial), wanted_set, body["bench"], body["scanned"], tuple(body["fixtures"]))
    return run_actions.open_run(services(), wanted, holder())


@blueprint.get("/runs/<run>")
@allowed()
@blueprint.response(200, schemas.RunOut)
def view(run: str) -> dict[str, Any]:
    """A run judged provisionally, with what is still needed."""
    found, assessment, more = run_actions.view_run(services(), run)
    return shown(found, assessment, more)


@blueprint.post("/runs/<run>/answers")
@allowed("tester", "desk", "inspector")
@blueprint.arguments(schemas.Answers)
@blueprint.response(201, schemas.RunOut)
def answer(body: dict[str, Any], run: str) -> dict[str, Any]:
    """Answer as operator or inspector; each person answers by their own token."""
    run_actions.answer(services(), run, tuple(body["answers"]), holder(), role())
    return shown(*run_actions.view_run(services(), run))


@blueprint.post("/runs/<run>/draws")
@allowed("tester", "desk")
@blueprint.arguments(schemas.DrawAgain)
@blueprint.response(201, schemas.DrawOut)
def draw(body: dict[str, Any], run: str) -> dict[str, Any]:
    """Draw once more after a wrong answer."""
    return run_actions.draw_again(services(), run, body["test"], holder())


@blueprint.post("/runs/<run>/close")
@allowed("tester", "desk")
@blueprint.response(200, schemas.RunOut)
def close(run: str) -> dict[str, Any]:
    """Freeze a run."""
    run_actions.close_run(services(), run, holder())
    return shown(*run_actions.view_run(services(), run))


def shown(run: Any, assessment: Any, more: Any) -> dict[str, Any]:
    """A run as RunOut shows it."""
    return {
        "run": run.id,
        "serial": run.serial,
        "set": run.test_set,
        "opened_by": run.opened_by,
        "opened_at": run.opened_at,
        "expires_at": run.expires_at,
        "closed_at": run.closed_at,
        "complete": assessment.complete,
        "verdict": assessment.verdict,
        "waived": sorted(assessment.waived),
        "tests": list(assessment.outcomes.values()),
        "still_needed": assessment.needs,
        "fixtures": run.fixtures,
        **more,
    }
