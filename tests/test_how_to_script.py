"""The session of docs/how-to/script-it.md, as it stands there, against a running service."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from services.served import served
from services.service import Trial, trial

PAGE = Path(__file__).resolve().parents[1] / "docs" / "how-to" / "script-it.md"


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        yield started


def test_the_session_of_the_page_does_what_the_page_says(made: Trial, monkeypatch: pytest.MonkeyPatch) -> None:
    """All blocks in one go, as somebody would who types them in."""
    blocks = re.findall(r"^```python\n(.*?)^```", PAGE.read_text(), re.MULTILINE | re.DOTALL)
    assert len(blocks) >= 6
    names: dict[str, Any] = {}
    with served(made.app) as url:
        monkeypatch.setenv("BENCHWORTHY_URL", url)
        monkeypatch.setenv("BENCHWORTHY_TOKEN", made.secrets["coordinator"])
        exec(compile("\n".join(blocks), str(PAGE), "exec"), names)
        names["session"].close()
    assert names["wrong"] == [] and names["serials"] == ["TARN0101B", "TARN01029"]
    assert names["changed"].json()["kit_lot"] == "K-8"
    assert str(names["table"]).splitlines()[0].startswith("serial,site,design")
    assert names["held"].status_code == 201
    assert [change["kind"] for change in names["told"]["changes"]] == ["enrolled", "enrolled", "renamed"]
    assert names["fitness"]["fit"] is False
    assert names["counts"]["virtual_states"] == {"held": 1, "kit": 1}
    assert [board["serial"] for board in names["held_boards"]] == names["serials"][:1]
    assert (names["item"]["act"], names["item"]["serial"]) == ("run a set", "TARN01029")
