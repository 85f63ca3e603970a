"""Certificates of fitness, their results documents, and the status list for use offline."""

from typing import Any

from flask import Response, request
from flask_smorest import Blueprint

from benchworthy import certificate_actions
from benchworthy.acts.results import said_by
from benchworthy.api import printing, schemas
from benchworthy.api.access import allowed, holder, services
from benchworthy.api.lapse_schemas import Withdrawal
from benchworthy.intake import label
from benchworthy.judging.decision import RULE

blueprint = Blueprint("certificates", __name__, url_prefix="/api/v1", description="Certificates of fitness")


@blueprint.post("/boards/<serial>/certificates")
@allowed("tester")
@blueprint.arguments(schemas.Certify)
@blueprint.response(201, schemas.CertificateOut)
def certify(body: dict[str, Any], serial: str) -> dict[str, Any]:
    """Issue a certificate on a run, or answer 409 with every unmet condition."""
    return _shown(certificate_actions.certify(services(), label.parse(serial), body["run"], holder()))


@blueprint.get("/certificates/<certificate>")
@allowed()
@blueprint.response(200, schemas.CertificateOut)
@blueprint.alt_response(200, schema={"type": "string"}, content_type="application/jose")
@blueprint.alt_response(200, schema=printing.PAPER, content_type=printing.PDF)
def one(certificate: str) -> Any:
    """A certificate as JSON, as the signed token with `Accept: application/jose`, or to print with `application/pdf`."""
    wanted = request.accept_mimetypes.best_match(["application/json", "application/jose", printing.PDF])
    if wanted == printing.PDF:
        return _varied(
            printing.certificate_answer(certificate_actions.certificate_on_paper(services(), certificate), certificate)
        )
    found = certificate_actions.certificate(services(), certificate)
    if wanted == "application/jose":
        return _varied(Response(found.token, mimetype="application/jose"))
    return _shown(found), 200, {"Vary": "Accept"}


@blueprint.get("/certificates/<certificate>/results")
@allowed()
@blueprint.response(200)
def results(certificate: str) -> Response:
    """The results document, byte for byte as its SHA-256 stands in the certificate."""
    return Response(certificate_actions.results(services(), certificate), mimetype="application/json")


@blueprint.post("/certificates/<certificate>/withdrawal")
@allowed("coordinator")
@blueprint.arguments(Withdrawal)
@blueprint.response(201, schemas.CertificateOut)
def withdraw(body: dict[str, Any], certificate: str) -> dict[str, Any]:
    """Withdraw a certificate (LAPSE-WITHDRAWN); the status list says so at once."""
    return _shown(certificate_actions.withdraw(services(), certificate, body["reason"], holder()))


@blueprint.get("/status-list")
@blueprint.doc(security=[])
@blueprint.response(200, {"type": "string"}, content_type="application/jose")
def status_list() -> Response:
    """The signed, dated list of what is in force; needs no token."""
    return Response(certificate_actions.status_list(services()), mimetype="application/jose")


def _varied(answer: Response) -> Response:
    answer.headers["Vary"] = "Accept"
    return answer


def _shown(found: Any) -> dict[str, Any]:
    with services().storage.reading() as work:
        board, document = work.registry.board(found.serial), work.desk.document(found.results)
    return {
        **{
            name: getattr(found, name)
            for name in ("id", "serial", "run", "issued_at", "valid_until", "issued_by", "lapse", "lapsed_at", "results", "token")
        },
        "virtual": bool(board and board.virtual),
        **(said_by(document) if document else {"coverage": "", "waived": [], "one_person": False}),
        "rule": RULE,
    }
