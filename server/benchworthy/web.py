"""The application factory. It takes services, not configuration, so that a test builds it in one line."""

from typing import Any

from flask import Flask, Response, request
from flask_smorest import Api
from werkzeug.exceptions import UnsupportedMediaType

from benchworthy import __version__
from benchworthy.api import (
    agent,
    boards,
    bodies,
    certificates,
    designs,
    figures,
    fixtures,
    fleet,
    lapses,
    loans,
    people,
    printing,
    problems,
    reading_back,
    remarks,
    requests,
    runs,
    scripts,
    tickets,
    told,
    upkeep,
    waivers,
)
from benchworthy.api import open as open_paths
from benchworthy.api.access import authenticate
from benchworthy.ports import Services

LARGEST_BODY = 64 * 1024
_OTHER_BODIES = frozenset({"/api/v1/reports", scripts.IMPORT_PATH})  # these look at the kind of their body themselves


def create_app(services: Services) -> Flask:
    """Build the web application over the services."""
    app = Flask("benchworthy", static_folder=None)
    app.config.update(
        MAX_CONTENT_LENGTH=LARGEST_BODY,
        API_TITLE="Benchworthy",
        API_VERSION=__version__,
        OPENAPI_VERSION="3.1.0",
        OPENAPI_URL_PREFIX="/api/v1",
        OPENAPI_JSON_PATH="openapi.json",
    )
    app.extensions["benchworthy"] = services
    api = _Api(
        app,
        spec_kwargs={"security": told.SECURITY, "components": told.COMPONENTS, "extra_plugins": [told.EveryOperation()]},
    )
    for blueprint in (
        boards.blueprint,
        runs.blueprint,
        certificates.blueprint,
        printing.blueprint,
        people.blueprint,
        requests.blueprint,
        upkeep.blueprint,
        loans.blueprint,
        remarks.blueprint,
        lapses.blueprint,
        waivers.blueprint,
        scripts.blueprint,
        tickets.blueprint,
        fixtures.blueprint,
        designs.blueprint,
        fleet.blueprint,
        reading_back.blueprint,
    ):
        api.register_blueprint(blueprint)
    app.register_blueprint(open_paths.blueprint)
    app.register_blueprint(agent.blueprint)
    figures.register(app)
    app.before_request(_only_json)
    app.after_request(_headers)
    problems.register(app)
    return app


class _Api(Api):  # type: ignore[misc]  # the library ships no types
    """The specification needs a token too, and errors keep our one shape."""

    ERROR_SCHEMA = told.Problem

    def _register_responses(self) -> None:
        """Errors have a media type of their own."""
        self.DEFAULT_RESPONSE_CONTENT_TYPE = problems.MEDIA_TYPE
        super()._register_responses()
        del self.DEFAULT_RESPONSE_CONTENT_TYPE

    def _register_error_handlers(self) -> None:
        """Ours are registered on the application."""

    def _openapi_json(self) -> Any:
        authenticate()
        return super()._openapi_json()


def _only_json() -> None:
    """A body is JSON, a signed token on /reports, or CSV where boards are imported; else 415 before it is looked at."""
    if request.content_length and request.path not in _OTHER_BODIES and not request.is_json:
        raise UnsupportedMediaType("Send application/json.")
    if request.content_length and request.is_json:
        bodies.look_at(request.get_data())


def _headers(response: Response) -> Response:
    response.headers.setdefault("X-Content-Type-Options", "nosniff")
    response.headers.setdefault("Cache-Control", "no-store")
    return response
