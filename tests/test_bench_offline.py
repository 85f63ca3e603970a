"""A run away from the service: a ticket instead of an opened run, the spool instead of an answer, and a receipt for the board."""

import hashlib
import json
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from bench_evening import box_at
from bench_fakes import FakeBoard, FakeOperator
from bench_sheet import FIXTURES, OPENED, PLAN, SHEET
from benchworthy.api.schemas import AtTheBench
from benchworthy.api.ticket_schemas import TicketUse
from benchworthy.bench import offline
from benchworthy.bench.offline import NOT_JUDGED, OfflineRuns
from benchworthy.bench.session import run_board
from benchworthy.bench.spool import Item
from benchworthy.bench.tickets import TicketBox
from benchworthy.errors import (
    FileUnreadable,
    NoTicket,
    RequestInvalid,
    SheetDiffers,
    TokenInvalid,
    WriteFailed,
)
from benchworthy.evidence.gate import canonical
from benchworthy.keys.bench_key import BenchKey
from benchworthy.keys.signer import SiteSigner
from benchworthy.keys.verifier import code
from benchworthy.reports import receipt
from benchworthy.reports.signed import CERTIFICATE_TYPE, TICKET_TYPE
from benchworthy.reports.token import digest

NOW = datetime(2026, 11, 25, 19, 0, tzinfo=UTC)
SHEET_PART = {name: OPENED[name] for name in ("design", "plan", "parts", "ask")} | {"state_files": {}}
SECOND = {"test": "LED-SEE", "draw": 2, "stimulus": {"p": "blink", "a": {"port": "lamp", "count": 5}}}
BOARDS = [{"serial": "S1", "design": "tarn-b", "epoch": 4, "virtual": True, "module": "e66", "site": "x"}]


class Site:
    """A site that signs tickets for one bench."""

    def __init__(self, folder: Path) -> None:
        self.signer = SiteSigner.load_or_create(folder / "signing.jwk")
        self.key = BenchKey.load_or_create(folder / "bench.jwk")
        self.folder = folder / "bench"

    def claims(self, run: str, **changes: Any) -> dict[str, Any]:
        plain = {
            "run": run,
            "nonce": "0" * 32,
            "key": "11" * 32,
            "bench": self.key.thumbprint,
            "site": "trial",
            "design": "tarn-b",
            "set": "full",
            "sheet": hashlib.sha256(canonical(SHEET_PART)).hexdigest(),
            "draws": [*OPENED["draws"], SECOND],
            "iat": int(NOW.timestamp()),
            "exp": int((NOW + timedelta(hours=72)).timestamp()),
        }
        return {**plain, **changes}

    def told(self, *claims: dict[str, Any], kind: str = TICKET_TYPE) -> dict[str, Any]:
        return {"sheet": SHEET_PART, "tickets": [{"token": self.signer.sign(kind, one)} for one in claims]}

    def box(self, *claims: dict[str, Any]) -> TicketBox:
        made = box_at(self.folder, self.key)
        made.store(self.told(*(claims or (self.claims("r-abcd"),))), self.signer.jwks(), BOARDS)
        return made


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return Site(tmp_path)


def runs_of(box: TicketBox, **more: Any) -> OfflineRuns:
    said = more.pop("say", lambda text: None)
    return OfflineRuns(box, lambda text: "S1" if text == "LABEL" else text, lambda: NOW, said, **more)


def play(site: Site, runs: OfflineRuns, board: FakeBoard, fixtures: Sequence[str] = FIXTURES, **more: Any) -> dict[str, Any]:
    operator = FakeOperator(board.steps, board)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("benchworthy.bench.session.catalogue.find", lambda name: SHEET)
        return run_board(board.reach(), runs, site.key, operator, "S1", "full", fixtures=fixtures, **more)


def spooled(box: TicketBox, run: str = "r-abcd") -> Sequence[Item]:
    return box.spool.items(run)


def test_a_session_puts_everything_on_disk_in_order(site: Site) -> None:
    """The use first, then each part and answer as it came; the person's way through the run is as ever."""
    box, board = site.box(), FakeBoard([])
    done = play(site, runs_of(box, holder="K7"), board)
    items = spooled(box)
    assert [item.kind for item in items] == [
        "use", "answer", "report", "report", "report", "report", "answer", "answer", "answer", "report", "report", "answer",
        "report",
    ]  # fmt: skip
    use = items[0].body
    assert use == {
        "serial": "S1", "scanned": "S1", "fixtures": list(FIXTURES), "holder": "K7", "opened_at": NOW.isoformat(),
    }  # fmt: skip
    board_parts = [item.octets for item in items if item.octets.startswith(b"board")]
    assert board_parts == [b"board.part.%d" % n for n in range(1, 6)]
    assert {report["verdict"] for report in done["reports"] if report["author"] == "bench"} == {NOT_JUDGED}
    assert (done["state"]["verdict"], done["state"]["complete"]) == (NOT_JUDGED, False)
    assert [item.body["answers"][0]["test"] for item in items if item.kind == "answer"] == [a["test"] for a in done["answers"]]


def test_the_board_gets_the_epoch_on_record_and_no_broker(site: Site) -> None:
    """As known when tickets were fetched; the run's key is the ticket's, and reports go over the wire."""
    board = FakeBoard([])
    play(site, runs_of(site.box()), board, wifi={"ssid": "s", "password": "w" * 9}, link="mqtt")
    assert (board.context["epoch"], board.context["mqtt"], board.context["key"]) == (4, None, "11" * 32)
    assert "broker" in board.context["absent"] or "broker" not in {n for t in SHEET.tests.values() for n in t.needs}


def test_the_receipt_is_one_that_the_board_believes(site: Site) -> None:
    """HMAC under the run's key over digest and verdict; only after the report lies on disk."""
    box = site.box()
    runs = runs_of(box)
    runs.open_run("S1", "full", site.key.thumbprint, FIXTURES, "LABEL")
    told = runs.send_report(b"a.b.c")
    assert told["report"] == digest(b"a.b.c") and told["verdict"] == NOT_JUDGED
    assert told["mac"] == code(bytes.fromhex("11" * 32), receipt.message(told["report"], NOT_JUDGED))
    assert [item.octets for item in spooled(box)][1:] == [b"a.b.c"]


def test_a_report_that_cannot_be_put_on_disk_gets_no_receipt(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk: the board keeps its report, and the person is told."""
    box = site.box()
    runs = runs_of(box)
    runs.open_run("S1", "full", site.key.thumbprint, FIXTURES, "LABEL")

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("benchworthy.bench.spool.os.fsync", full)
    with pytest.raises(WriteFailed, match="No space left"):
        runs.send_report(b"a.b.c")
    assert [item.kind for item in spooled(box)] == ["use"]


def test_a_wrong_answer_is_shown_once_more_with_the_tickets_second_draw(site: Site) -> None:
    """The person says three where five blinked: both answers and the draw between them are kept."""
    claims = site.claims("r-abcd")
    claims["draws"] = [{**SECOND, "draw": 1}, OPENED["draws"][1], {**OPENED["draws"][0], "draw": 2}]
    box, steps = site.box(claims), list[str]()
    play(site, runs_of(box), FakeBoard(steps))
    assert [step for step in steps if step.startswith("show blink")] == ["show blink 5", "show blink 3"]
    led = [item.body for item in spooled(box) if b"LED-SEE" in item.octets]
    answers = [{"answers": [{"test": "LED-SEE", "draw": draw, "text": "3"}]} for draw in (1, 2)]
    assert led == [answers[0], {"test": "LED-SEE"}, answers[1]]


def test_a_right_answer_is_not_asked_again_and_two_wrong_ones_are_enough(site: Site) -> None:
    """Case and spaces of an answer do not count, as at the service."""
    runs = runs_of(site.box())
    runs.open_run("S1", "full", site.key.thumbprint, FIXTURES, "LABEL")
    turned = {"test": "OUT-DIR1", "draw": 1, "text": " Off  FORWARD back "}
    assert runs.answer("r-abcd", {"answers": [turned]})["still_needed"] == []
    needs = runs.answer("r-abcd", {"answers": [{"test": "LED-SEE", "draw": 1, "not_run": "no lamp"}]})["still_needed"]
    assert [(need["code"], need["test"]) for need in needs] == [("second-draw", "LED-SEE")]
    assert runs.draw("r-abcd", "LED-SEE") == SECOND
    assert runs.answer("r-abcd", {"answers": [{"test": "LED-SEE", "draw": 2, "text": "9"}]})["still_needed"] == []


def test_nothing_is_spent_on_a_wrong_label_or_fixture(site: Site) -> None:
    """What the service would refuse the next day is refused while the board is on the table."""
    box = site.box()
    for scanned, fixtures in (("S2", FIXTURES), ("LABEL", ["TP-4"]), ("LABEL", ["TP-4:x" * 9]), ("LABEL", ["a:b"] * 13)):
        with pytest.raises(RequestInvalid):
            runs_of(box).open_run("S1", "full", site.key.thumbprint, fixtures, scanned)
    with pytest.raises(RequestInvalid, match="code of a person"):
        runs_of(box, holder="Ann Other")
    assert len(box.waiting(NOW)) == 1 and box.spool.runs() == []


@pytest.mark.parametrize("text", ["TP-4:TP4-0007", "a:b", "TP-4", ":", "a:", "TP_4:x", "TP-4:TP4-0007\n", "a" * 16 + ":b", "ä:b"])
def test_the_bench_and_the_service_take_the_same_fixtures(text: str) -> None:
    """Two rooms that may not share the rule, held together here."""
    wrong = AtTheBench(only=("fixtures",)).validate({"fixtures": [text]})
    assert (offline.FIXTURE.fullmatch(text) is None) == bool(wrong)
    most = AtTheBench(only=("fixtures",)).validate({"fixtures": ["a:b"] * (offline.MOST_FIXTURES + 1)})
    assert most and not AtTheBench(only=("fixtures",)).validate({"fixtures": ["a:b"] * offline.MOST_FIXTURES})
    assert (offline.HOLDER.fullmatch(text) is None) == bool(TicketUse(only=("holder",)).validate({"holder": text}))


def test_a_ticket_is_for_one_run_and_only_for_its_set_and_its_time(site: Site) -> None:
    """Spent, of another set, of another design or past its end: there is none left, and that is said."""
    soon = int((NOW + timedelta(hours=1)).timestamp())
    box = site.box(site.claims("r-late", exp=int(NOW.timestamp())), site.claims("r-plug", set="plug"),
                   site.claims("r-two2"), site.claims("r-one1", exp=soon))  # fmt: skip
    first = runs_of(box)
    assert first.open_run("S1", "full", "", FIXTURES, "LABEL")["run"] == "r-one1", "what ends first is taken first"
    assert runs_of(box).open_run("S1", "full", "", FIXTURES, "LABEL")["run"] == "r-two2"
    with pytest.raises(NoTicket, match="No ticket for the set full of tarn-b"):
        runs_of(box).open_run("S1", "full", "", FIXTURES, "LABEL")
    assert [claims["run"] for claims in box.waiting(NOW)] == ["r-plug"]


def test_a_board_that_was_not_on_record_is_told_and_taken(site: Site) -> None:
    """Its design is that of the tickets, or the one that the person names; with two it has to be named."""
    said: list[str] = []
    box = site.box(site.claims("r-one1"), site.claims("r-two2", design="beck-a"))
    with pytest.raises(NoTicket, match="--design"):
        runs_of(box).open_run("S9", "full", "", [], "S9")
    opened = runs_of(box, design="tarn-b", say=said.append).open_run("S9", "full", "", [], "S9")
    assert (opened["run"], opened["epoch"], opened["virtual"]) == ("r-one1", 1, False)
    assert len(said) == 1 and "S9 was not on record" in said[0]


def test_another_sheet_than_the_bench_has_is_refused(site: Site) -> None:
    """Before the board is touched."""
    board = FakeBoard([])
    runs = runs_of(site.box())
    with pytest.raises(SheetDiffers):
        run_board(board.reach(), runs, site.key, FakeOperator(board.steps, board), "S1", "full", fixtures=FIXTURES)
    assert PLAN.text and "begin" not in board.steps


def test_what_is_no_ticket_of_this_bench_is_not_kept(site: Site, tmp_path: Path) -> None:
    """Another bench's, another site's, a certificate, half a ticket, another sheet: refused, and nothing is written."""
    other = Site.__new__(Site)
    other.signer = SiteSigner.load_or_create(tmp_path / "other.jwk")
    claims = site.claims("r-abcd")
    half = {name: value for name, value in claims.items() if name != "key"}
    wrong = [
        site.told({**claims, "bench": "A" * 43}),
        Site.told(other, claims),
        site.told(claims, kind=CERTIFICATE_TYPE),
        site.told(half),
        site.told({**claims, "sheet": "0" * 64}),
    ]
    box = box_at(site.folder, site.key)
    for told in wrong:
        with pytest.raises(TokenInvalid):
            box.store(told, site.signer.jwks(), BOARDS)
    assert not site.folder.exists()


def test_what_was_changed_on_disk_is_left_aside_and_told(site: Site) -> None:
    """A damaged ticket costs that ticket; a damaged sheet is said by its name; no traceback for either."""
    box = site.box(site.claims("r-one1"), site.claims("r-two2"))
    path = site.folder / "tickets" / "r-one1.jws"
    path.write_text(path.read_text()[:-9] + "AAAAAAAAA")
    said: list[str] = []
    assert [claims["run"] for claims in box.waiting(NOW, said.append)] == ["r-two2"]
    assert len(said) == 1 and "r-one1" in said[0]
    (sheet,) = (site.folder / "sheets").iterdir()
    sheet.write_text(json.dumps({**SHEET_PART, "plan": "another"}))
    with pytest.raises(FileUnreadable, match="not what the ticket was signed with"):
        box.take("full", None, NOW, said.append)
    (site.folder / "keys.json").write_text("{")
    with pytest.raises(FileUnreadable):
        box.waiting(NOW)


def test_the_folder_is_its_owners_alone(site: Site) -> None:
    """Tickets are secrets: files 0600, folders 0700, before and after a run."""
    play(site, runs_of(site.box()), FakeBoard([]))
    modes = {(path.is_dir(), path.stat().st_mode & 0o777) for path in (site.folder, *site.folder.rglob("*"))}
    assert modes == {(False, 0o600), (True, 0o700)}
