"""Figures of the web process for a program that watches services, in the text format that Prometheus reads.

One registry for each application and process. Labels are bounded: endpoints by their name, no serial numbers, no codes of
people. How many boards stand where is read when somebody asks.
"""

import time
from collections.abc import Iterator
from typing import Any, Final

from flask import Blueprint, Flask, Response, current_app, g, request
from prometheus_client import CollectorRegistry, Counter, Summary
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.process_collector import ProcessCollector
from prometheus_client.registry import Collector

from benchworthy import __version__, fleet_actions
from benchworthy.api.access import allowed, services

blueprint = Blueprint("figures", __name__)
_KEPT: Final = "benchworthy-figures"
_NOWHERE: Final = "none"  # the endpoint of a path that leads nowhere


class Figures:
    """What is counted of the requests to one application."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self._answers = Counter(
            "benchworthy_http_answers",
            "Requests answered, by endpoint and status.",
            ("endpoint", "status"),
            registry=self.registry,
        )
        self._seconds = Summary(
            "benchworthy_http_seconds", "Time to an answer, by endpoint.", ("endpoint",), registry=self.registry
        )
        ProcessCollector(registry=self.registry)

    def count(self, endpoint: str, status: int, seconds: float) -> None:
        self._answers.labels(endpoint, str(status)).inc()
        self._seconds.labels(endpoint).observe(seconds)


class _Fleet(Collector):
    """The boards of the site at the moment of asking."""

    def collect(self) -> Iterator[GaugeMetricFamily]:
        version = GaugeMetricFamily("benchworthy_version", "The version that runs; always 1.", labels=("version",))
        version.add_metric((__version__,), 1)
        yield version
        names = ("design", "virtual", "state")
        boards = GaugeMetricFamily("benchworthy_boards", "Boards by design and state.", labels=names)
        late = GaugeMetricFamily("benchworthy_boards_overdue", "Boards on loan past their date.", labels=names)
        ending = GaugeMetricFamily("benchworthy_boards_lapsing", "Boards whose certificate ends within 14 days.", labels=names)
        for share in fleet_actions.counts(services())[1]:
            where = (share.design, "true" if share.virtual else "false", share.state)
            for family, value in ((boards, share.boards), (late, share.overdue), (ending, share.lapsing)):
                family.add_metric(where, value)
        yield from (boards, late, ending)


def register(app: Flask) -> None:
    """Count every answer of this application, and answer `GET /metrics`."""
    app.extensions[_KEPT] = Figures()
    app.before_request(_begin)
    app.after_request(_count)
    app.register_blueprint(blueprint)


@blueprint.get("/metrics")
@allowed()
def metrics() -> Any:
    """Figures of the web process and of the fleet, in the Prometheus text format."""
    figures: Figures = current_app.extensions[_KEPT]
    fleet = CollectorRegistry(auto_describe=False)
    fleet.register(_Fleet())
    return Response(generate_latest(figures.registry) + generate_latest(fleet), content_type=CONTENT_TYPE_LATEST)


def _begin() -> None:
    g.begun = time.perf_counter()


def _count(answer: Response) -> Response:
    figures: Figures = current_app.extensions[_KEPT]
    begun = g.get("begun")
    figures.count(request.endpoint or _NOWHERE, answer.status_code, time.perf_counter() - begun if begun is not None else 0.0)
    return answer
