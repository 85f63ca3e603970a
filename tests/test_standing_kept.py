"""What is kept of each board's standing is at every moment what the record alone gives."""

import dataclasses
import random
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, NoReturn

import pytest
from sqlalchemy import delete, update

from benchworthy import __version__
from benchworthy.acts import standing_kept
from benchworthy.acts.gather import board_of, facts_of
from benchworthy.desk.fitness import fitness
from benchworthy.errors import StorageBusy
from benchworthy.history.standing import BEGINNING, END, Span, Standing
from benchworthy.serve import catching_up
from benchworthy.storage import standing_tables as tables
from services import reports
from services.desk import COUNTED, certified, in_days
from services.service import Trial, trial
from test_sheet_change import FIRST, TODAY, changed, under
from test_sheet_change import certified as certified_under


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        yield started


def kept(made: Trial, serial: str) -> Standing:
    with made.house.database.reading() as work:
        found = work.standings.of(serial)
    assert found is not None
    return found


def span_at(standing: Standing, now: datetime) -> Span:
    (span,) = [span for span in standing.spans if span.since <= now < span.before]
    return span


def as_it_should_be(made: Trial, serial: str) -> None:
    """All but the spans is equal; the span of this moment is; and it ends when the record says."""
    with made.house.database.reading() as work:
        told = standing_kept.fresh(serial, work, made.services)
        answer = fitness(facts_of(board_of(serial, work, made.services), work, made.services), made.clock())
    found, now = kept(made, serial), made.clock()
    assert dataclasses.replace(found, spans=()) == dataclasses.replace(told, spans=())
    assert found.spans[0].since == BEGINNING and found.spans[-1].before == END
    assert all(one.before == two.since for one, two in zip(found.spans, found.spans[1:], strict=False))
    span = span_at(found, now)
    assert dataclasses.replace(span, since=BEGINNING) == told.spans[0]
    assert (span.state, span.answer, span.until) == (answer.state, answer.answer, answer.until)


class Desk:
    """Whatever people may do with three boards; most of it is refused most of the time, and that is tried too."""

    def __init__(self, made: Trial, seed: int) -> None:
        self.made, self.chance, self.did = made, random.Random(seed), Counter[str]()
        enrolled = [made.enrol(f"WALK{seed}{n}") for n in range(3)]
        self.keys = {board["serial"]: board["field_key"] for board in enrolled}
        self.serials = list(self.keys)
        self.open_runs: dict[str, Any] = {}
        self.boot = 10

    def acts(self) -> list[Callable[[str], None]]:
        return [
            self.run, self.run_out, self.run_partly, self.certify, self.lend, self.lend, self.lend, self.back, self.check_in,
            self.hold, self.release, self.defect, self.no_fault, self.repair, self.reserve, self.lose, self.retire, self.sign,
            self.rename, self.field, self.field_out, self.draw_nothing, self.time, self.time,
        ]  # fmt: skip

    def step(self) -> None:
        """Half the time what the work list names, which is never refused; else anything."""
        serial = self.chance.choice(self.serials)
        if self.chance.random() < 0.5:
            self.follow(serial)
        else:
            self.chance.choice(self.acts())(serial)

    def follow(self, serial: str) -> None:
        items = [item for item in self.made.get("/work", "coordinator")["work"] if item["serial"] == serial]
        if not items:
            self.lend(serial)
            return
        (item,) = items
        self.did[f"work: {item['act']}"] += 1
        defects = [defect["id"] for defect in self.life(serial)["defects"]]
        body = {
            "repair": {"part": self.chance.choice(["D1", "R17", "C1"]), "seen": "Cold joint.", "defects": defects},
            "retire": {"reason": "Pads lifted.", "for_parts": True},
            "sign the stage": {"builder": "T4"},
            "remind the borrower": {"scanned": serial, "accessories": COUNTED},
            "take the loan up": {"scanned": serial, "accessories": COUNTED},
            "release the hold": {"reason": "Looked at, nothing burnt."},
            "release the hold, by a coordinator": {"reason": "Looked at, nothing burnt."},
        }.get(item["act"], item["body"])
        if item["act"] == "run a set":
            self.open_runs[serial] = self.made.whole_run(serial, test_set=item["body"]["set"])
        else:
            path = item["path"].removeprefix("/api/v1")
            answer = self.made.ask(item["method"], path, body or {}, "coordinator")
            assert answer.status_code < 300, f"{item} was refused: {answer.text}"

    def post(self, path: str, body: Any = None, role: str = "coordinator") -> bool:
        answer = self.made.ask("POST", path, {} if body is None else body, role)
        assert answer.status_code < 500 and answer.status_code != 404, answer.text
        if answer.status_code < 300:
            self.did[path.rpartition("/")[2]] += 1
        return answer.status_code < 300

    def run(self, serial: str) -> None:
        self.open_runs[serial] = self.made.whole_run(serial, test_set=self.chance.choice(["full", "full", "plug", "renewal"]))
        if self.chance.random() < 0.5:
            self.certify(serial)

    def run_out(self, serial: str) -> None:
        self.open_runs[serial] = self.made.whole_run(serial, reports.scaled("PWR-V5", "rail", 1.3))

    def run_partly(self, serial: str) -> None:
        opened = self.made.open(serial)
        if self.chance.random() < 0.7:
            self.made.deliver(reports.part(opened, serial, 1))
        if self.chance.random() < 0.5:
            self.post(f"/runs/{opened['run']}/close")

    def certify(self, serial: str) -> None:
        self.post(f"/boards/{serial}/certificates")

    def lend(self, serial: str) -> None:
        self.post(
            f"/boards/{serial}/loans",
            {"borrower": "B-1", "due": in_days(self.made, self.chance.choice([-1, 7, 40])), "accessories": COUNTED},
        )

    def back(self, serial: str) -> None:
        self.post(f"/boards/{serial}/returns", {"scanned": serial, "accessories": COUNTED})

    def check_in(self, serial: str) -> None:
        self.run(serial)
        self.post(f"/boards/{serial}/check-ins", {"run": self.open_runs[serial]["run"]})

    def hold(self, serial: str) -> None:
        self.post(f"/boards/{serial}/holds", {"reason": "Smells burnt."})

    def release(self, serial: str) -> None:
        number = (self.life(serial)["hold"] or {"id": 1})["id"]
        self.post(f"/boards/{serial}/holds/{number}/release", {"reason": "Looked at, nothing burnt."})

    def life(self, serial: str) -> Any:
        return self.made.get(f"/boards/{serial}/life")

    def defect(self, serial: str) -> None:
        self.post(f"/boards/{serial}/defects", {"seen": "The jack is loose."})

    def no_fault(self, serial: str) -> None:
        for defect in self.life(serial)["defects"][:1]:
            self.post(f"/boards/{serial}/defects/{defect['id']}/no-fault-found")

    def repair(self, serial: str) -> None:
        numbers = [defect["id"] for defect in self.life(serial)["defects"]]
        self.post(f"/boards/{serial}/repairs", {"part": "D1", "seen": "Cold joint.", "defects": numbers})

    def reserve(self, serial: str) -> None:
        self.post(f"/boards/{serial}/reservation", {"borrower": "B-1", "until": in_days(self.made, 9)})

    def lose(self, serial: str) -> None:
        self.post(f"/boards/{serial}/loss")

    def retire(self, serial: str) -> None:
        if self.chance.random() < 0.1:
            self.post(f"/boards/{serial}/retirement", {"reason": "Pads lifted.", "for_parts": True})

    def sign(self, serial: str) -> None:
        self.post(f"/boards/{serial}/stages/1", {"builder": "T4"}, "inspector")

    def rename(self, serial: str) -> None:
        version = self.made.get(f"/boards/{serial}")["version"]
        headers = {"Authorization": f"Bearer {self.made.secrets['desk']}", "If-Match": f'"{version}"'}
        self.made.client.patch(f"/api/v1/boards/{serial}", json={"kit_lot": f"K-{self.chance.random()}"}, headers=headers)

    def field(self, serial: str) -> None:
        self.boot += 1
        firmware = self.chance.choice(["MicroPython 1.26", "MicroPython 1.27"])
        assert self.made.send(reports.field(serial, self.keys[serial], boot=self.boot, firmware=firmware)).status_code == 201
        self.did["field"] += 1

    def field_out(self, serial: str) -> None:
        self.boot += 1
        out = [reports.scaled("PWR-V5", "rail", 1.3)]
        assert self.made.send(reports.field(serial, self.keys[serial], out, boot=self.boot)).status_code == 201

    def draw_nothing(self, serial: str) -> None:
        opened = self.made.open(serial, "quick")
        self.post(f"/runs/{opened['run']}/draws", {"test": "LED-SEE"})

    def time(self, serial: str) -> None:
        self.made.clock.ahead += timedelta(days=self.chance.choice([0.5, 5, 20, 45]))


REACHED: Counter[str] = Counter()


@pytest.mark.parametrize("seed", range(3))
def test_whatever_people_do_the_kept_standing_is_what_the_record_gives(made: Trial, seed: int) -> None:
    """After each act, and after each stretch of time in which nobody did anything."""
    desk = Desk(made, seed)
    for _ in range(40):
        desk.step()
        for serial in desk.serials:
            as_it_should_be(made, serial)
            REACHED[span_at(kept(made, serial), made.clock()).state] += 1
    assert sum(desk.did.values()) > 10, desk.did
    print(desk.did, dict(REACHED))


def test_the_walks_met_most_states() -> None:
    """A walk that stays at the kit would prove little; this counts what the ones above came through."""
    if REACHED:  # each of them may run in a process of its own
        assert len(REACHED) >= 5, REACHED


def test_a_standing_that_is_not_kept_is_seen(made: Trial) -> None:
    """The comparison seen red: without the hook the row stays as it was."""
    serial = certified(made, "RED001")
    as_it_should_be(made, serial)
    made.services = dataclasses.replace(made.services, keep_standing=lambda *_: None)
    under(made, TODAY)
    made.services = dataclasses.replace(made.services, find_sheet=lambda name: TODAY)
    made.post(f"/boards/{serial}/holds", {"reason": "Smells burnt."})
    with pytest.raises(AssertionError):
        as_it_should_be(made, serial)


def test_time_alone_changes_a_standing_and_nothing_is_written(made: Trial) -> None:
    """A reservation ends, then the certificate, at the very moments that stand in them."""
    serial = certified(made, "TIME01")
    made.post(f"/boards/{serial}/reservation", {"borrower": "B-1", "until": in_days(made, 9)}, "desk")
    states = [span.state for span in kept(made, serial).spans]
    assert states[:3] == ["reserved", "fit", "under test"]
    reserved, fit = kept(made, serial).spans[:2]
    assert reserved.until == fit.until == fit.before == kept(made, serial).valid_until
    before = made.rows()
    for days in (8, 10, 89, 91, 125):
        made.clock.ahead = timedelta(days=days)
        as_it_should_be(made, serial)
    assert made.rows() == before


def test_an_open_run_that_ends_by_its_expiry_is_known_beforehand(made: Trial) -> None:
    """Everything arrived and nobody closed it: from its expiry on it may be certified, and the kept row says so."""
    serial = made.enrol("OPEN01")["serial"]
    opened = made.open(serial)
    made.deliver_all(opened, serial)
    made.people_answer(opened)
    assert span_at(kept(made, serial), made.clock()).waiting["task"] == "finish the run"  # type: ignore[index]
    made.clock.ahead = timedelta(hours=9)
    as_it_should_be(made, serial)
    waiting = span_at(kept(made, serial), made.clock()).waiting
    assert waiting is not None and (waiting["task"], waiting["run"]) == ("certify", opened["run"])


def test_a_revoked_bench_changes_the_standing_of_every_board_that_rested_on_it(made: Trial) -> None:
    """One act of the site, many boards."""
    serials = [certified(made, f"REST0{n}") for n in range(2)]
    since = in_days(made, -1)
    made.post(f"/benches/{made.bench.thumbprint}/revocation", {"since": since, "reason": "Stolen."}, "coordinator")
    for serial in serials:
        as_it_should_be(made, serial)
        assert kept(made, serial).lapse == "LAPSE-BENCH"


def test_a_changed_sheet_is_caught_up_with_before_anybody_is_answered(tmp_path: Path) -> None:
    """A larger sheet lapses a certificate; taken back, the certificate is in force again. Each time the kept row follows."""
    with trial(tmp_path) as made:
        serial = certified_under(made, FIRST, "SHEET1", "first")
        assert span_at(kept(made, serial), made.clock()).state == "fit"
        for sheet, state, lapse in ((TODAY, "under test", "LAPSE-SHEET"), (FIRST, "fit", None)):
            under(made, sheet)
            counted = made.get("/fleet/counts")
            assert [share["state"] for share in counted["groups"]] == [state]
            assert kept(made, serial).lapse == lapse
            as_it_should_be(made, serial)
        assert standing_kept.catch_up(made.services) == 0


def test_a_change_of_words_alone_works_nothing_out_again(made: Trial) -> None:
    """The guide part of a sheet is no basis."""
    made.enrol("WORDS1")
    under(made, changed("Count how often the red lamp blinks", "How often does the red lamp blink? Count"))
    assert standing_kept.catch_up(made.services) == 0


def test_boards_from_before_get_their_standing_ten_at_a_time(made: Trial, monkeypatch: pytest.MonkeyPatch) -> None:
    """As after the migration, which leaves the tables empty; also what a board was last heard of is found in its evidence."""
    enrolled = made.enrol("OLD000")
    made.deliver(reports.field(enrolled["serial"], enrolled["field_key"], firmware="MicroPython 1.26"))
    others = [made.enrol(f"OLD{n:03d}")["serial"] for n in range(1, 25)]
    with made.house.database.engine.begin() as connection:
        connection.execute(delete(tables.spans))
        connection.execute(delete(tables.standings))
    assert standing_kept.catch_up(made.services) == 25
    for serial in (enrolled["serial"], *others):
        as_it_should_be(made, serial)
    assert kept(made, enrolled["serial"]).seen.firmware == "MicroPython 1.26"  # type: ignore[union-attr]
    with made.house.database.engine.begin() as connection:
        connection.execute(update(tables.standings).where(tables.standings.c.serial == others[0]).values(basis="older rules"))
    assert standing_kept.catch_up(made.services) == 1
    assert kept(made, others[0]).basis.startswith(f"{__version__}/")


def test_web_catches_up_when_it_starts_and_says_so(made: Trial, caplog: pytest.LogCaptureFixture) -> None:
    """Beside the first requests; and a database that is busy is left to whoever asks for a list."""
    serial = made.enrol("START1")["serial"]
    with made.house.database.engine.begin() as connection:
        connection.execute(update(tables.standings).values(basis="older rules"))
    with caplog.at_level("INFO", "benchworthy.standings"):
        catching_up.begin(made.services).join(30)
    as_it_should_be(made, serial)
    assert "standings of 1 boards" in caplog.text

    def busy() -> NoReturn:
        raise StorageBusy("The database is busy.", retry_after=1)

    away = dataclasses.replace(made.services, now=busy)
    with made.house.database.engine.begin() as connection:
        connection.execute(update(tables.standings).values(basis="older rules"))
    with caplog.at_level("WARNING", "benchworthy.standings"):
        catching_up.begin(away).join(30)
    assert "could not all be worked out now" in caplog.text


def test_an_act_that_is_rolled_back_leaves_the_standing_as_it_was(made: Trial) -> None:
    """A refused act has written nothing, this neither."""
    serial = made.enrol("BACK01")["serial"]
    before = kept(made, serial)
    with pytest.raises(RuntimeError), made.services.storage.writing() as work:
        work.desk.add_hold(serial, "held-by-staff", "Smells.", "T4", made.clock())
        made.services.keep_standing(board_of(serial, work, made.services), work, made.services)
        raise RuntimeError("planted")
    assert kept(made, serial) == before


def test_a_quiet_report_from_the_field_only_says_that_the_board_was_heard_of(made: Trial) -> None:
    """An older one that comes later changes nothing."""
    enrolled = made.enrol("HEARD1")
    serial = enrolled["serial"]
    made.deliver(reports.field(serial, enrolled["field_key"], boot=1, firmware="MicroPython 1.26"))
    first = kept(made, serial)
    made.deliver(reports.field(serial, enrolled["field_key"], boot=2, firmware="MicroPython 1.27"))
    second = kept(made, serial)
    assert (first.seen.firmware, second.seen.firmware) == ("MicroPython 1.26", "MicroPython 1.27")  # type: ignore[union-attr]
    assert first.spans == second.spans
    made.clock.ahead = timedelta(hours=-1)
    made.deliver(reports.field(serial, enrolled["field_key"], boot=3, firmware="MicroPython 1.20"))
    assert kept(made, serial) == second
