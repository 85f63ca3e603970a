"""Figures for a program that watches the service: counted right, labels bounded, nobody named, a token asked for."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from services.desk import certified, refused
from services.service import Trial, trial


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        yield started


def asked(made: Trial) -> str:
    answer = made.client.get("/metrics", headers={"Authorization": f"Bearer {made.secrets['reader']}"})
    assert answer.status_code == 200 and answer.mimetype == "text/plain"
    return answer.text


def figures(text: str) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    """Every sample by name and labels, as the reference parser of the format reads it."""
    families = text_string_to_metric_families(text)
    return {(s.name, tuple(sorted(s.labels.items()))): s.value for family in families for s in family.samples}


def test_answers_are_counted_by_endpoint_and_status(made: Trial) -> None:
    """A board that is not there, a path that leads nowhere, a missing token: each where it belongs."""
    before = figures(asked(made))
    for _ in range(3):
        made.ask("GET", "/boards")
    made.ask("GET", "/boards/KM0099Y")
    made.client.get("/no/such/path")
    made.client.get("/metrics")
    after = figures(asked(made))

    def more(endpoint: str, status: str) -> float:
        key = ("benchworthy_http_answers_total", (("endpoint", endpoint), ("status", status)))
        return after.get(key, 0.0) - before.get(key, 0.0)

    assert [more("boards.listed", "200"), more("boards.one", "404"), more("none", "404"), more("figures.metrics", "401")] == [
        3, 1, 1, 1,
    ]  # fmt: skip
    assert after["benchworthy_http_seconds_count", (("endpoint", "boards.listed"),)] >= 3


def test_boards_are_counted_where_they_stand_and_nobody_is_named(made: Trial) -> None:
    """One fit, one kit; no serial number, holder or borrower is in any line."""
    fit, kit = certified(made, "METER1"), made.enrol("METER2")["serial"]
    text = asked(made)
    told = figures(text)
    states = {dict(labels)["state"]: value for (name, labels), value in told.items() if name == "benchworthy_boards"}
    assert states == {"fit": 1, "kit": 1}
    assert not any(word in text for word in (fit, kit, '"T4"', '"D1"'))
    assert len([line for line in text.splitlines() if not line.startswith("#")]) < 200


def test_figures_need_a_token(made: Trial) -> None:
    """As everything but the open paths does."""
    refused(made.client.get("/metrics"), 401, "token-missing")
