"""Every kind of edit behind the service's back is found and named: by the chain alone, or by a list that went out before."""

import dataclasses
import json
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import requests

from benchworthy.cli.main import main
from benchworthy.evidence import recording
from benchworthy.history import ledger
from benchworthy.history.heads import HEADS_TYPE, from_claims
from benchworthy.keeping import audit, daily
from benchworthy.keys.signer import SiteSigner
from benchworthy.keys.status import open_token
from services import reports
from services.keeping import as_service, raw, served
from services.mosquitto import until
from services.service import Trial, trial


@dataclass
class Kept:
    """A record of two boards, one with a certificate, the list of heads that went out, and what the command says."""

    database: Path
    certified: str
    plain: str
    heads: Path
    made: Trial

    def length(self, chain: str) -> int:
        with closing(sqlite3.connect(self.database)) as connection:
            return int(connection.execute("SELECT count(*) FROM ledger WHERE chain = ?", (chain,)).fetchone()[0])


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Kept]:
    data = tmp_path / "data"
    as_service(monkeypatch, data)
    with trial(data) as made:
        certified = made.enrol("AUDIT1")["serial"]
        made.whole_run(certified)
        assert made.certify(certified).status_code == 201
        plain = made.enrol("AUDIT2")
        made.deliver(*(reports.field(plain["serial"], plain["field_key"], seq=n) for n in range(4)))
        made.post(f"/boards/{plain['serial']}/holds", {"reason": "smells of smoke"})
        assert main(["audit", "--heads", str(tmp_path / "heads.jws")]) == 0
        yield Kept(data / "benchworthy.sqlite3", certified, plain["serial"], tmp_path / "heads.jws", made)


def told(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    capsys.readouterr()
    code = main(["audit", *words])
    return code, capsys.readouterr().err


def test_a_record_left_alone_holds(kept: Kept, capsys: pytest.CaptureFixture[str]) -> None:
    """By itself and against the list; and it still holds when more came since."""
    assert told(capsys) == (0, "")
    kept.made.whole_run(kept.certified)
    assert told(capsys, "--against", str(kept.heads)) == (0, "")
    assert main(["audit", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["faults"] == [] and found["chains"] == 3 and found["entries"] > 20


def entry(kept: Kept, chain: str, position: int, column: str, value: object) -> None:
    assert raw(kept.database, f"UPDATE ledger SET {column} = ? WHERE chain = ? AND position = ?", value, chain, position) == 1


def remove(kept: Kept, chain: str, *positions: int) -> None:
    for position in positions:
        assert raw(kept.database, "DELETE FROM ledger WHERE chain = ? AND position = ?", chain, position) == 1


def rebuild(kept: Kept, chain: str, since: int, length: int | None = None) -> None:
    """Edit entry `since` and compute it and all later ones anew, as somebody would who knows how; maybe leave out the end."""
    with closing(sqlite3.connect(kept.database)) as connection, connection:
        columns = "position, at, kind, holder, facts, text_hash, hash"
        rows = connection.execute(f"SELECT {columns} FROM ledger WHERE chain = ? ORDER BY position", (chain,)).fetchall()
        previous = rows[since - 2][6] if since > 1 else ledger.GENESIS
        connection.execute("DELETE FROM ledger WHERE chain = ? AND position >= ?", (chain, since))
        for position, at, kind, holder, facts, text_hash, _ in rows[since - 1 : length]:
            holder = "FORGER" if position == since else holder
            loaded = json.loads(facts)
            digest = ledger._hash(chain, position, at, kind, holder, loaded, text_hash, previous)
            values = (chain, position, at, kind, holder, facts, text_hash, previous, digest)
            connection.execute("INSERT INTO ledger VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", values)
            previous = digest


# What is done to the board's chain (1 enrolled, 2 to 5 evidence, 6 held), and what is said of it without any list.
IN_THE_CHAIN: dict[str, tuple[Callable[[Kept], object], str]] = {
    "holder edited": (lambda k: entry(k, k.plain, 3, "holder", "X9"), "entry 3 (evidence) was edited"),
    "facts edited": (lambda k: entry(k, k.plain, 4, "facts", '{"verdict": "in limits"}'), "entry 4 (evidence) was edited"),
    "facts no JSON": (lambda k: entry(k, k.plain, 4, "facts", "{"), "entry 4 (evidence) was edited"),
    "facts no object": (lambda k: entry(k, k.plain, 4, "facts", "[1]"), "entry 4 (evidence) was edited"),
    "time edited": (lambda k: entry(k, k.plain, 1, "at", "2020-01-01T00:00:00+00:00"), "entry 1 (enrolled) was edited"),
    "kind edited": (lambda k: entry(k, k.plain, 6, "kind", "remark"), "entry 6 (remark) was edited"),
    "text's hash edited": (lambda k: entry(k, k.plain, 6, "text_hash", None), "entry 6 (held) was edited"),
    "link edited": (lambda k: entry(k, k.plain, 3, "previous", "0" * 64), "entry 3 (evidence) was edited"),
    "middle removed": (lambda k: remove(k, k.plain, 3), "entry 3 is missing"),
    "beginning removed": (lambda k: remove(k, k.plain, 1), "entry 1 is missing"),
    "site's own chain edited": (lambda k: entry(k, "site:trial", 2, "holder", "X9"), "site:trial: entry 2"),
}  # fmt: skip


@pytest.mark.parametrize("name", IN_THE_CHAIN)
def test_an_edit_in_a_chain_is_found_without_a_list(kept: Kept, capsys: pytest.CaptureFixture[str], name: str) -> None:
    """Exit 1, and the sentence names the chain and the entry."""
    edit, sentence = IN_THE_CHAIN[name]
    edit(kept)
    code, said = told(capsys)
    assert code == 1 and sentence in said, said
    assert (kept.plain if "site" not in name else "site:trial") in said


def test_an_entry_replaced_with_its_hash_made_good_is_found_where_the_next_one_follows(
    kept: Kept, capsys: pytest.CaptureFixture[str]
) -> None:
    """The forger cut the end off to put one entry of another's in; the honest service went on from there."""
    rebuild(kept, kept.plain, 3, length=3)
    with kept.made.house.database.writing() as work:
        recording.enter(work.registry.board(kept.plain), "held", "C1", {}, work, kept.made.services)  # type: ignore[arg-type]
    code, said = told(capsys, "--against", str(kept.heads))
    assert code == 1 and f"{kept.plain}: the chain was cut after entry 4" in said
    entry(kept, kept.plain, 3, "hash", "f" * 64)
    assert "entry 3 (evidence) was edited" in told(capsys)[1]
    rebuild(kept, kept.plain, 2, length=2)
    with closing(sqlite3.connect(kept.database)) as connection, connection:
        row = ("h", kept.plain, 3, "2026-11-25T00:00:00+00:00", "held", "C1", "{}", None, "e" * 64)
        values = (*row[1:], ledger._hash(*row[1:6], {}, None, "e" * 64))
        connection.execute("INSERT INTO ledger VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", values)
    assert "entry 3 (held) does not follow from entry 2" in told(capsys)[1]


# What a chain cannot show by itself: it is sound again.
AGAINST_THE_LIST: dict[str, tuple[Callable[[Kept], object], str]] = {
    "end removed": (lambda k: remove(k, k.plain, 6), "the chain was cut after entry 5"),
    "two removed": (lambda k: remove(k, k.plain, 6, 5), "the chain was cut after entry 4"),
    "rebuilt from the third": (lambda k: rebuild(k, k.plain, 3), "entry 6 is another than in the list of"),
    "rebuilt from the last": (lambda k: rebuild(k, k.plain, 6), "entry 6 is another than in the list of"),
    "cut and rebuilt": (lambda k: rebuild(k, k.plain, 2, length=4), "the chain was cut after entry 4"),
    "whole chain removed": (lambda k: remove(k, k.plain, *range(1, 7)), "the whole chain is gone"),
}  # fmt: skip


@pytest.mark.parametrize("name", AGAINST_THE_LIST)
def test_a_chain_that_is_sound_again_is_found_by_the_list(kept: Kept, capsys: pytest.CaptureFixture[str], name: str) -> None:
    """The list names serial and entry; the chain alone gives nothing away."""
    edit, sentence = AGAINST_THE_LIST[name]
    edit(kept)
    alone = told(capsys)[1]
    assert "was edited" not in alone and "does not follow" not in alone and "missing" not in alone
    code, said = told(capsys, "--against", str(kept.heads))
    assert code == 1 and f"{kept.plain}: {sentence}" in said, said


def test_lists_of_several_days_say_how_far_back_a_chain_is_as_it_was(kept: Kept, capsys: pytest.CaptureFixture[str]) -> None:
    """What was replaced lies between the last list that agrees and the first that does not."""
    made = kept.made
    made.clock.ahead = timedelta(days=1)
    made.whole_run(kept.plain)
    last = kept.length(kept.plain)
    signer = SiteSigner.load(kept.database.parent / "signing.jwk")
    token = daily.signed_list(made.house.database.engine, signer, "trial", made.clock())
    assert token is not None and daily.write(kept.heads.parent / "lists" / "2.jws", token)
    rebuild(kept, kept.plain, 8)
    code, said = told(capsys, "--against", str(kept.heads), str(kept.heads.parent / "lists"))
    assert code == 1 and f"entry {last} is another than" in said and "Up to entry 6 it is as on" in said, said


def test_a_certificate_holds_its_chain_from_the_day_of_its_issue(kept: Kept, capsys: pytest.CaptureFixture[str]) -> None:
    """It carries the head of the chain, so a chain rebuilt from before is found without any list."""
    rebuild(kept, kept.certified, 2)
    code, said = told(capsys)
    assert code == 1 and f"{kept.certified}: the entry that certificate c-" in said


BESIDE_THE_CHAIN: dict[str, tuple[str, str]] = {
    "evidence edited": ("UPDATE evidence SET raw = x'00' || raw WHERE serial = :plain", "evidence-edited"),
    "evidence removed": ("DELETE FROM evidence WHERE serial = :plain AND seq = 2", "evidence-gone"),
    "evidence moved": ("UPDATE evidence SET serial = :certified WHERE serial = :plain", "evidence-unknown"),
    "evidence of nobody": ("UPDATE evidence SET serial = 'NOBODY' WHERE serial = :plain", "evidence-unknown"),
    "results edited": ("UPDATE documents SET body = replace(body, 'V', 'W')", "text-edited"),
    "remark edited": ("UPDATE texts SET text = 'all is well'", "text-edited"),
    "evidence no text": ("UPDATE evidence SET raw = CAST(x'ff00fe' AS TEXT) WHERE serial = :plain", "evidence-edited"),
    "results no text": ("UPDATE documents SET body = CAST(x'ff00fe' AS TEXT)", "text-edited"),
    "remark no text": ("UPDATE texts SET text = x'ff'", "text-edited"),
    "certificate no text": ("UPDATE certificates SET token = x'ff'", "certificate-astray"),
    "facts no text": ("UPDATE ledger SET facts = CAST(x'ff' AS TEXT) WHERE chain = :plain", "entry-edited"),
    "positions no numbers": ("UPDATE ledger SET position = 'x' || position WHERE chain = :plain", "entry-missing"),
    "certificate edited": ("UPDATE certificates SET token = 'x' || token || '.'", "certificate-astray"),
}


@pytest.mark.parametrize("name", BESIDE_THE_CHAIN)
def test_what_the_chain_names_is_looked_at_too(kept: Kept, capsys: pytest.CaptureFixture[str], name: str) -> None:
    """Evidence, results and remarks are kept under the hash of their bytes."""
    statement, code_told = BESIDE_THE_CHAIN[name]
    with closing(sqlite3.connect(kept.database, isolation_level=None)) as connection:
        done = connection.execute(statement, {"plain": kept.plain, "certified": kept.certified}).rowcount
    assert done >= 1
    code, said = told(capsys)
    assert code == 1 and f"[{code_told}]" in said, said


def test_evidence_that_is_gone_is_named_by_its_entry(kept: Kept, capsys: pytest.CaptureFixture[str]) -> None:
    """Serial and entry, as for the chain itself."""
    raw(kept.database, "DELETE FROM evidence WHERE serial = ? AND seq = 2", kept.plain)
    assert f"{kept.plain}: evidence" in told(capsys)[1] and "named by entry 4, is gone" in told(capsys)[1]


def test_an_erased_text_is_no_fault(kept: Kept, capsys: pytest.CaptureFixture[str]) -> None:
    """Only its hash stands in the chain, so that somebody's remark can be erased."""
    assert raw(kept.database, "DELETE FROM texts") >= 1
    assert told(capsys, "--against", str(kept.heads)) == (0, "")


def test_a_list_that_the_site_did_not_sign_is_refused(kept: Kept, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Another's list, an edited one, a certificate in its place, and no list at all."""
    other = SiteSigner.load_or_create(tmp_path / "other.jwk")
    claims = {"site": "trial", "iat": 0, "heads": {}}
    token = kept.heads.read_text()
    own = SiteSigner.load(kept.database.parent / "signing.jwk")
    bad = {
        "another key": other.sign(HEADS_TYPE, claims),
        "edited": token.replace(token.split(".")[1], token.split(".")[1][::-1]),
        "another type": own.sign("benchworthy-status-list", claims),
        "another form": own.sign(HEADS_TYPE, {"site": "trial", "heads": {"X": 1}}),
        "no token": "hello",
    }
    for name, text in bad.items():
        (tmp_path / "bad.jws").write_text(text)
        code, said = told(capsys, "--against", str(tmp_path / "bad.jws"))
        assert (code, "[token-invalid]" in said) == (2, True), f"{name}: {said}"
    assert told(capsys, "--against", str(tmp_path / "none.jws"))[0] == 2
    (tmp_path / "empty").mkdir()
    assert told(capsys, "--against", str(tmp_path / "empty"))[0] == 2
    (tmp_path / "keys.json").write_text(json.dumps(other.jwks()))
    assert told(capsys, "--against", str(kept.heads), "--keys", str(tmp_path / "keys.json"))[0] == 2
    (tmp_path / "keys.json").write_text(json.dumps(own.jwks()))
    assert told(capsys, "--against", str(kept.heads), "--keys", str(tmp_path / "keys.json")) == (0, "")


def test_no_list_is_signed_over_a_record_that_does_not_hold(kept: Kept, capsys: pytest.CaptureFixture[str]) -> None:
    """A signature would vouch for the edit; and a list takes the place of no other."""
    was = kept.heads.read_text()
    assert told(capsys, "--heads", str(kept.heads))[0] == 2
    entry(kept, kept.plain, 3, "holder", "X9")
    assert told(capsys, "--heads", str(kept.heads.with_name("new.jws")))[0] == 1
    assert kept.heads.read_text() == was and not kept.heads.with_name("new.jws").exists()


def test_an_audit_makes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a database it says so, and leaves none behind."""
    as_service(monkeypatch, tmp_path / "data")
    code, said = told(capsys)
    assert code == 2 and "[file-unreadable]" in said
    assert list(tmp_path.iterdir()) == []


# --- the daily list ------------------------------------------------------------------------------------------------


def test_a_list_is_due_once_a_day(tmp_path: Path) -> None:
    """By the day in UTC; yesterday's list makes none of today."""
    late = datetime(2026, 11, 25, 23, 59, 59, tzinfo=UTC)
    assert daily.due(tmp_path, late) == tmp_path / "2026-11-25.jws"
    (tmp_path / "2026-11-25.jws").write_text("x")
    assert daily.due(tmp_path, late) is None
    assert daily.due(tmp_path, late + timedelta(seconds=1)) == tmp_path / "2026-11-26.jws"
    assert daily.due(tmp_path, late.astimezone()) is None


def test_a_list_is_written_whole_and_once(tmp_path: Path) -> None:
    """Nothing on an empty ledger, then once a day however often it is asked; of two writers the first stands."""
    with trial(tmp_path / "data") as made:
        engine, data = made.house.database.engine, tmp_path / "data"
        first = daily.write_if_due(made.services, engine, data)
        assert first is not None and daily.write_if_due(made.services, engine, data) is None
        made.clock.ahead = timedelta(days=1)
        assert daily.write_if_due(made.services, engine, data) not in (None, first)
        assert daily.write(first, "another") is False
        assert audit.audit(engine, audit.read_lists([data / "heads"], SiteSigner.load(data / "signing.jwk").jwks())).faults == ()
        raw(data / "benchworthy.sqlite3", "DELETE FROM ledger")
        made.clock.ahead = timedelta(days=2)
        assert daily.write_if_due(made.services, engine, data) is None
        services = dataclasses.replace(made.services, signer=None)
        assert daily.write_if_due(services, engine, data) is None, "the listener has no key"
    assert {file.suffix for file in (data / "heads").iterdir()} == {".jws"}, "a draft was left behind"


def test_serve_writes_todays_list(tmp_path: Path) -> None:
    """The real service, its list checked by the keys that it gives out; the audit by command agrees."""
    with served(tmp_path) as (_, service, _settings):
        folder = tmp_path / "data" / "heads"
        assert until(lambda: any(folder.glob("*.jws")), 20)
        keys = requests.get(f"{service.url}/.well-known/jwks.json", timeout=5).json()
        listed = from_claims(open_token(next(folder.glob("*.jws")).read_text(), keys, HEADS_TYPE))
    assert listed.site == "trial" and "site:trial" in listed.heads
    assert abs(listed.at.timestamp() - time.time()) < 120
