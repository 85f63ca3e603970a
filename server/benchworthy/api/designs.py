"""The designs of this site's boards, and their recall."""

from typing import Any

from flask_smorest import Blueprint

from benchworthy import fixture_actions
from benchworthy.api import fixture_schemas as schemas
from benchworthy.api import listing
from benchworthy.api.access import allowed, holder, services
from benchworthy.api.schemas import Page
from benchworthy.desk.facts import Recall

blueprint = Blueprint("designs", __name__, url_prefix="/api/v1", description="Designs and recalls")
SHOWN = 200


@blueprint.get("/designs")
@allowed()
@blueprint.response(200, schemas.Designs, headers=listing.HEADERS)
@blueprint.alt_response(200, schema=listing.TEXT, content_type=listing.CSV)
def listed() -> Any:
    """Every design with the hashes of its sheet, sets, stages, and whether it is recalled; also as `text/csv`."""
    return listing.page("designs", fixture_actions.designs(services()), schemas.DesignOut, None)


@blueprint.get("/designs/<design>")
@allowed()
@blueprint.response(200, schemas.DesignOut)
def one(design: str) -> Any:
    """One design by its name, id-revision in lower case."""
    return fixture_actions.design(services(), design)


@blueprint.post("/designs/<design>/recall")
@allowed("coordinator")
@blueprint.arguments(schemas.NewReason)
@blueprint.response(201, schemas.Recalled)
@blueprint.alt_response(200, schema=schemas.Recalled)
def recall(body: dict[str, Any], design: str) -> Any:
    """Recall a design: its certificates lapse (LAPSE-RECALL) and all its boards not retired are held, wherever they are.

    From the first moment no board of it is fit. The holds are entered some boards at a time; sent again while the recall
    stands, it goes on where it stopped, and holds boards enrolled since. Answers with the first boards and where each is.
    """
    _, new = fixture_actions.recall(services(), design, body["reason"], holder())
    return _page(design, "", SHOWN), 201 if new else 200


@blueprint.get("/designs/<design>/recall")
@allowed()
@blueprint.arguments(Page, location="query")
@blueprint.response(200, schemas.Recalled, headers=listing.HEADERS)
@blueprint.alt_response(200, schema=listing.TEXT, content_type=listing.CSV)
def recalled(query: dict[str, Any], design: str) -> Any:
    """The newest recall of a design and its boards, a page at a time: where each is, whether it is held; also as `text/csv`."""
    shown = _page(design, query["after"], query["limit"])
    boards, following = shown.pop("boards"), shown.pop("next")
    return listing.page("boards", boards, schemas.ReachedOut, following, **shown)


@blueprint.post("/designs/<design>/recall/end")
@allowed("coordinator")
@blueprint.arguments(schemas.NewReason)
@blueprint.response(200, schemas.Recalled)
def end_recall(body: dict[str, Any], design: str) -> Any:
    """End a recall: its holds are released. The certificates stay lapsed, so each board needs the whole set before it is fit."""
    fixture_actions.end_recall(services(), design, body["reason"], holder())
    return _page(design, "", SHOWN)


def _page(design: str, after: str, limit: int) -> dict[str, Any]:
    found, boards = fixture_actions.recalled_boards(services(), design, after, limit)
    return {**_told(found), "boards": boards, "next": boards[-1].serial if len(boards) == limit else None}


def _told(recall: Recall) -> dict[str, Any]:
    return {name: getattr(recall, name) for name in ("design", "reason", "by", "at", "ended_at")}
