"""What tests of lapses share: a certificate seen from every side, and field reports by a board's own count."""

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from benchworthy.keys.status import Standing, open_token, verify
from benchworthy.reports.signed import STATUS_LIST_TYPE
from services import reports
from services.mosquitto import SITE
from services.service import Trial

SAGGING = reports.scaled("PWR-V5", "rail", 0.9)  # 4.5 V where 4.8 V is the least


def at_the_machine(monkeypatch: pytest.MonkeyPatch, data: Path) -> None:
    """Commands in this process find the service's data, and no other setting."""
    for name in [name for name in os.environ if name.startswith("BENCHWORTHY_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("BENCHWORTHY_DATA", str(data))
    monkeypatch.setenv("BENCHWORTHY_SITE", SITE)


def key_of(made: Trial, serial: str, epoch: int = 1) -> str:
    """The board's own key, as it was told at enrolment."""
    return made.services.derive_field_key(serial, epoch)


def from_field(
    made: Trial, serial: str, *others: Mapping[str, Any], boot: int = 2, seq: int = 1, **changes: Any
) -> dict[str, Any]:
    """A field report of three tests taken in, by default made after every run; `others` are readings that differ."""
    given = reports.replaced([reports.sound(test) for test in ("PWR-V33M", "PWR-V5", "KEY-IDLE")], *others)
    answer = made.send(reports.field(serial, key_of(made, serial), given, boot=boot, seq=seq, **changes))
    assert answer.status_code == 201, answer.text
    return dict(answer.json)


def certificate_of(made: Trial, serial: str) -> str:
    """The board's newest certificate."""
    with made.house.database.reading() as work:
        newest = work.desk.newest_certificate(serial)
    assert newest is not None
    return newest.id


def listed(made: Trial) -> Mapping[str, str]:
    """What the signed status list says of each certificate."""
    keys = made.client.get("/.well-known/jwks.json").json
    told: Mapping[str, str] = open_token(made.client.get("/api/v1/status-list").text, keys, STATUS_LIST_TYPE)["certificates"]
    return told


def verified(made: Trial, certificate: str) -> Standing:
    """What `benchworthy verify` makes of it, from what anybody can fetch."""
    keys = made.client.get("/.well-known/jwks.json").json
    token = made.get(f"/certificates/{certificate}")["token"]
    return verify(token, made.client.get("/api/v1/status-list").text, keys, made.clock())


def codes(unmet: Sequence[Mapping[str, str]]) -> list[str]:
    return [item["code"] for item in unmet]


def lapse_entries(made: Trial, serial: str) -> list[Mapping[str, Any]]:
    """The facts of every entry of the board's chain that says a certificate lapsed."""
    entries = made.get(f"/boards/{serial}/history")["entries"]
    return [entry["facts"] for entry in entries if entry["kind"] == "certificate-lapsed"]
