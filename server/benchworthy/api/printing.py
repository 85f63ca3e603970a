"""Labels and certificates as PDF. The PDF writer takes long to load, so it comes in with the first print."""

from collections.abc import Sequence
from typing import Any

from flask import Response
from flask_smorest import Blueprint

from benchworthy import desk_actions
from benchworthy.acts.lending import Slip
from benchworthy.acts.printing import CertificateText, LabelText
from benchworthy.api import label_schemas
from benchworthy.api.access import allowed, services
from benchworthy.documents.sizes import SHEETS, SINGLES
from benchworthy.intake import label

PDF = "application/pdf"
PAPER = {"type": "string", "contentMediaType": PDF}
blueprint = Blueprint("printing", __name__, url_prefix="/api/v1", description="What goes on paper")


@blueprint.get("/boards/<serial>/label")
@allowed()
@blueprint.arguments(label_schemas.LabelQuery, location="query")
@blueprint.response(200, PAPER, content_type=PDF)
def one_label(query: dict[str, Any], serial: str) -> Response:
    """A board's label as PDF, one page of the label's own size."""
    number = label.parse(serial)
    texts = desk_actions.labels(services(), [number])
    return _answer(_on_singles(texts, query["size"]), f"label-{number}", texts[0].url)


@blueprint.post("/labels")
@allowed()
@blueprint.arguments(label_schemas.Labels)
@blueprint.response(200, PAPER, content_type=PDF)
def labels(body: dict[str, Any]) -> Response:
    """Labels of many boards as PDF: on A4 sheets from the first free place on, or each on a page of its own size."""
    texts = desk_actions.labels(services(), body["serials"])
    pdf = _on_singles(texts, body["size"]) if body["sheet"] is None else _on_sheets(texts, body["sheet"], body["first"])
    return _answer(pdf, "labels", services().public_url)


def certificate_answer(text: CertificateText, name: str) -> Response:
    """A certificate on A4, signed token and results attached."""
    from benchworthy.documents.certificate import CertificateCopy, certificate_pdf

    return _answer(certificate_pdf(CertificateCopy(text.token, text.results, text.url)), name, text.url)


def slips_answer(texts: Sequence[Slip], form: str, name: str) -> Response:
    """Slips of loans. Their codes lead to the page for remarks."""
    from benchworthy.documents.slip import Form, LoanSlip, slips_pdf

    slips = [LoanSlip(t.serial, t.design, t.site, t.due, t.code, t.url, t.box, virtual=t.virtual) for t in texts]
    return _answer(slips_pdf(slips, Form(form), max(text.at for text in texts)), name, texts[0].url)


def _on_singles(texts: tuple[LabelText, ...], size: str) -> bytes:
    from benchworthy.documents.labels import Label, singles_pdf

    return singles_pdf([Label(t.serial, t.design, t.url, t.virtual) for t in texts], SINGLES[size], services().now())


def _on_sheets(texts: tuple[LabelText, ...], sheet: str, first: int) -> bytes:
    from benchworthy.documents.labels import Label, sheets_pdf

    return sheets_pdf([Label(t.serial, t.design, t.url, t.virtual) for t in texts], SHEETS[sheet], first, services().now())


def _answer(pdf: bytes, name: str, leads_to: str) -> Response:
    """`Link` tells where the printed codes lead, so that a script need not scan them."""
    headers = {"Content-Disposition": f'inline; filename="{name}.pdf"', "Link": f'<{leads_to}>; rel="related"'}
    return Response(pdf, mimetype=PDF, headers=headers)
