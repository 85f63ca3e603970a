"""Fixtures: enrolled, checked, held and released; and the reference boards that check them."""

from typing import Any

from flask_smorest import Blueprint

from benchworthy import fixture_actions
from benchworthy.acts.doubting import Doubted
from benchworthy.acts.fixtures import NewFixture, Paper
from benchworthy.api import fixture_schemas as schemas
from benchworthy.api import listing
from benchworthy.api.access import allowed, holder, role, services
from benchworthy.api.schemas import Page
from benchworthy.desk.fixtures import Check
from benchworthy.errors import RoleRefused
from benchworthy.intake import label

blueprint = Blueprint("fixtures", __name__, url_prefix="/api/v1", description="Fixtures and reference boards")


@blueprint.post("/fixtures")
@allowed("tester")
@blueprint.arguments(schemas.NewFixture)
@blueprint.response(201, schemas.FixtureRecord)
def enrol(body: dict[str, Any]) -> Any:
    """Enrol a fixture by its kind and own serial number; a run names it as kind:serial."""
    return fixture_actions.enrol(services(), NewFixture(**body), holder())


@blueprint.get("/fixtures")
@allowed()
@blueprint.arguments(Page, location="query")
@blueprint.response(200, schemas.Fixtures, headers=listing.HEADERS)
@blueprint.alt_response(200, schema=listing.TEXT, content_type=listing.CSV)
def listed(query: dict[str, Any]) -> Any:
    """Fixtures by name, a page at a time, each with its state and until when it is vouched for; also as `text/csv`."""
    found = fixture_actions.listed(services(), query["after"], query["limit"])
    following = found[-1].fixture.name if len(found) == query["limit"] else None
    return listing.page("fixtures", found, schemas.FixtureOut, following)


@blueprint.get("/fixtures/<fixture>")
@allowed()
@blueprint.response(200, schemas.FixtureRecord)
def one(fixture: str) -> Any:
    """One fixture by its serial number or kind:serial: its checks, and the runs it was used in with what was out in each."""
    return fixture_actions.one(services(), fixture)


@blueprint.post("/fixtures/<fixture>/checks")
@allowed("tester")
@blueprint.arguments(schemas.NewCheck)
@blueprint.response(201, schemas.CheckAnswer)
def check(body: dict[str, Any], fixture: str) -> dict[str, Any]:
    """Check a fixture by a run on a reference board; or, as coordinator, date one that no test uses by its calibration.

    A good check vouches for it for 24 hours from the run's opening. A bad one holds it, lapses every certificate that rests on
    it since its last good check (LAPSE-FIXTURE) and holds those boards; the answer says where each is.
    """
    if "run" in body:
        done = fixture_actions.check(services(), fixture, body["run"], holder())
        return _answer(done.fixture.name, done.check, done.doubted, done.comparison.compared)
    if role() != "coordinator":
        told = f"A {role()} may not date a fixture by a paper; it takes coordinator."
        raise RoleRefused(told, role=role(), needed=["coordinator"])
    paper = Paper(body["calibrated_on"], body["calibrated_until"], body["certificate_no"], body["seen"])
    return _answer(fixture, fixture_actions.calibrate(services(), fixture, paper, holder()), Doubted((), ()), ())


@blueprint.post("/fixtures/<fixture>/faults")
@allowed("tester", "desk", "inspector")
@blueprint.arguments(schemas.NewFault)
@blueprint.response(201, schemas.CheckAnswer)
def fault(body: dict[str, Any], fixture: str) -> dict[str, Any]:
    """Report a fault of a fixture: it is held, and what rests on it since its last good check lapses, as after a bad check."""
    record, found, doubted = fixture_actions.report_fault(services(), fixture, body["seen"], holder())
    return _answer(record.standing.fixture.name, found, doubted, ())


@blueprint.post("/fixtures/<fixture>/release")
@allowed("tester")
@blueprint.arguments(schemas.NewReason)
@blueprint.response(200, schemas.FixtureRecord)
def release(body: dict[str, Any], fixture: str) -> Any:
    """Release a held fixture after a good check that began since."""
    return fixture_actions.release(services(), fixture, body["reason"], holder())


@blueprint.post("/boards/<serial>/reference")
@allowed("coordinator")
@blueprint.arguments(schemas.NewReference)
@blueprint.response(201, schemas.ReferenceOut)
def make_reference(body: dict[str, Any], serial: str) -> Any:
    """Make a board a reference board on a complete full run in limits: it checks the fixtures and is lent no more."""
    number = label.parse(serial)
    return fixture_actions.make_reference(services(), number, body["reason"], body["run"], body["bootstrap"], holder())


@blueprint.post("/boards/<serial>/reference/end")
@allowed("coordinator")
@blueprint.arguments(schemas.NewReason)
@blueprint.response(200)
def end_reference(body: dict[str, Any], serial: str) -> dict[str, Any]:
    """It is a reference board no longer; after the whole set it may be certified."""
    number = label.parse(serial)
    fixture_actions.end_reference(services(), number, body["reason"], holder())
    return {"serial": number}


@blueprint.get("/reference-boards")
@allowed()
@blueprint.arguments(Page, location="query")
@blueprint.response(200, schemas.References, headers=listing.HEADERS)
@blueprint.alt_response(200, schema=listing.TEXT, content_type=listing.CSV)
def references(query: dict[str, Any]) -> Any:
    """The boards that check fixtures, by serial number, each with its record run; also as `text/csv`."""
    found = fixture_actions.reference_boards(services(), query["after"], query["limit"])
    following = found[-1].serial if len(found) == query["limit"] else None
    return listing.page("boards", found, schemas.ReferenceOut, following)


def _answer(fixture: str, check: Check, doubted: Doubted, compared: Any) -> dict[str, Any]:
    standing = fixture_actions.one(services(), fixture).standing
    return {
        "fixture": standing.fixture.name,
        "state": standing.state,
        "check": check,
        "compared": compared,
        "lapsed": doubted.lapsed,
        "boards": doubted.boards,
    }
