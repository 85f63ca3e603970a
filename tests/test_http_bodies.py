"""A body that two readers would read differently, or that no reader should try, is refused in the one shape."""

from collections.abc import Iterator
from typing import Any

import pytest

from benchworthy.intake import label
from services.desk import refused
from services.service import Trial, trial

SERIAL = label.complete("BODY01")


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Trial]:
    """One for all that is refused."""
    with trial(tmp_path_factory.mktemp("bodies")) as started:
        yield started


def send(house: Trial, body: bytes) -> Any:
    headers = {"Authorization": f"Bearer {house.secrets['tester']}"}
    return house.client.post("/api/v1/boards", data=body, content_type="application/json", headers=headers)


BODIES = (
    b"[" * 60_000,
    b'{"a":' * 10_000,
    b'{"serial": "' + SERIAL.encode() + b'", "design": "tarn-b", "design": "beck-a"}',
    b'{"serial": NaN, "design": "tarn-b"}',
    b'{"serial": "' + SERIAL.encode() + b'", "design": "tarn-b", "kit_lot": "\\ud800"}',
    b'{"serial": "' + SERIAL.encode() + b'", "design": "tarn-b", "\\udfff": "x"}',
    b'{"serial": "' + SERIAL.encode() + b'", "design": "tarn-b", "kit_lot": "a\\u0000b"}',
    b'{"serial": "' + SERIAL.encode() + b'", "design": "tarn-b", "kit_lot": "\\\\\\\\\\u0000"}',
    b'{"serial": ' + b"9" * 6000 + b"}",
    b'{"serial": "\xff"}',
    b'{"serial": ',
)


@pytest.mark.parametrize("body", BODIES, ids=range(len(BODIES)))
def test_a_body_that_is_no_plain_json_is_refused_and_nothing_is_done(house: Trial, body: bytes) -> None:
    """RFC 7493, 2.1 to 2.3. Seen red: the first two and the long number were answered with 500."""
    before = house.rows()
    refused(send(house, body), 400, "bad-request")
    assert house.rows() == before


def test_brackets_and_quotation_marks_inside_a_text_are_not_counted(house: Trial) -> None:
    """A lot may be named like that, also with a backslash before "u0000"; and seven levels are not too deep to be looked at."""
    lot = b'[[[[[[[[[[{{{ \\" \\\\u0000'
    answer = send(
        house, b'{"serial": "' + SERIAL.encode() + b'", "design": "tarn-b", "virtual": true, "kit_lot": "' + lot + b'"}'
    )
    assert answer.status_code == 201 and answer.json["kit_lot"] == '[[[[[[[[[[{{{ " \\u0000'
    refused(send(house, b'{"serial": ' + b"[" * 7 + b"]" * 7 + b"}"), 422, "request-invalid")
