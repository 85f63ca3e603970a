"""What other programs come for: changes since a number, a fleet from a file, tokens and benches taken back."""

from typing import Any, Final

from flask import request
from flask_smorest import Blueprint
from werkzeug.exceptions import UnsupportedMediaType

from benchworthy import desk_actions, house_actions
from benchworthy.acts.revoking import SHOWN
from benchworthy.api import fleet_file, listing, script_schemas
from benchworthy.api.access import allowed, holder, services
from benchworthy.api.schemas import NumberedPage, Page
from benchworthy.history.records import Access

blueprint = Blueprint("scripts", __name__, url_prefix="/api/v1", description="For other programs")
IMPORT_PATH: Final = "/api/v1/fleet/import"


@blueprint.get("/changes")
@allowed()
@blueprint.arguments(NumberedPage, location="query")
@blueprint.response(200, script_schemas.Changes, headers=listing.HEADERS)
@blueprint.alt_response(200, schema=listing.TEXT, content_type=listing.CSV)
def changes(query: dict[str, Any]) -> Any:
    """What happened to boards after a number: fitness, loans, certificates. Remember `last` and ask from there again."""
    found = desk_actions.changes(services(), query["after"], query["limit"])
    last = found[-1].number if found else query["after"]
    following = str(last) if len(found) == query["limit"] else None
    return listing.page("changes", found, script_schemas.ChangeOut, following, last=last)


@blueprint.post("/fleet/import")
@allowed("coordinator")
@blueprint.arguments(script_schemas.ImportQuery, location="query")
@blueprint.doc(requestBody={"required": True, "content": {listing.CSV: {"schema": listing.TEXT}}})
@blueprint.response(200, script_schemas.ImportOut)
def bring_in(query: dict[str, Any]) -> Any:
    """Enrol the boards of a `text/csv` file, all or none; with `dry_run=true` only say what is wrong with which line.

    The first line names the columns: serial, design, and where wanted virtual, kit_lot, inventory_ref. Field keys are not
    in the answer; a board gets its own when the agent is installed.
    """
    if request.mimetype != listing.CSV:
        raise UnsupportedMediaType("A fleet is sent as text/csv.")
    told = desk_actions.import_boards(services(), fleet_file.read(request.get_data()), query["dry_run"], holder())
    return {"dry_run": query["dry_run"], "enrolled": told.enrolled, "lines": told.lines}


@blueprint.get("/tokens")
@allowed("coordinator")
@blueprint.arguments(Page, location="query")
@blueprint.response(200, script_schemas.Tokens, headers=listing.HEADERS)
def tokens(query: dict[str, Any]) -> Any:
    """Who has a token; the secrets themselves are nowhere."""
    found = house_actions.tokens(services(), query["after"], query["limit"])
    following = found[-1].fingerprint if len(found) == query["limit"] else None
    return listing.page("tokens", [_token(one) for one in found], script_schemas.KnownToken, following)


@blueprint.post("/tokens/<token>/revocation")
@allowed("coordinator")
@blueprint.response(201, script_schemas.KnownToken)
def revoke_token(token: str) -> dict[str, Any]:
    """Take a token back; it opens nothing from now on."""
    return _token(house_actions.revoke_token(services(), token, holder()))


@blueprint.get("/benches")
@allowed()
@blueprint.arguments(Page, location="query")
@blueprint.response(200, script_schemas.Benches, headers=listing.HEADERS)
def benches(query: dict[str, Any]) -> Any:
    """The benches of this site by thumbprint, those revoked too."""
    found = house_actions.benches(services(), query["after"], query["limit"])
    following = found[-1].thumbprint if len(found) == query["limit"] else None
    return listing.page("benches", found, script_schemas.KnownBench, following)


@blueprint.post("/benches/<thumbprint>/revocation")
@allowed("coordinator")
@blueprint.arguments(script_schemas.BenchRevocation)
@blueprint.response(201, script_schemas.BenchRevoked)
def revoke_bench(body: dict[str, Any], thumbprint: str) -> dict[str, Any]:
    """Take a bench's key back; certificates that rest on its runs since then lapse (LAPSE-BENCH)."""
    bench, lapsed = house_actions.revoke_bench(services(), thumbprint, body["since"], body["reason"], holder())
    return {"thumbprint": bench.thumbprint, "name": bench.name, "revoked_at": bench.revoked_at, "lapsed": lapsed}


def _token(access: Access) -> dict[str, Any]:
    names = ("role", "scope", "holder", "created_at", "expires_at", "revoked_at")
    return {"token": access.fingerprint[:SHOWN], **{name: getattr(access, name) for name in names}}
