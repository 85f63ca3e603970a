"""The signing key is renewed without a lapse, and a former one that may be in other hands is withdrawn."""

import json
import stat
from pathlib import Path

import pytest
import requests

from benchworthy.cli.main import main
from benchworthy.errors import SettingsInvalid
from benchworthy.keeping import daily
from benchworthy.keys.secret import renew_signing_key
from benchworthy.keys.signer import SiteSigner
from benchworthy.keys.status import Exit, open_token
from benchworthy.reports.signed import STATUS_LIST_TYPE
from services.desk import certified
from services.keeping import command, served
from services.lapses import at_the_machine, certificate_of, lapse_entries, listed, verified
from services.mosquitto import SITE
from services.service import Trial, trial


def key(monkeypatch: pytest.MonkeyPatch, data: Path, *words: str) -> int:
    """The command as somebody at the service's machine types it."""
    at_the_machine(monkeypatch, data)
    return main(["key", *words])


def published(made: Trial) -> list[str]:
    return [one["kid"] for one in made.client.get("/.well-known/jwks.json").json["keys"]]


def site_entries(made: Trial) -> list[tuple[str, str, dict[str, object]]]:
    with made.house.database.reading() as work:
        entries = work.ledger.entries(f"site:{SITE}")
    return [(entry.kind, entry.holder, dict(entry.facts)) for entry in entries if entry.kind.startswith("signing-key")]


def test_a_new_key_signs_and_what_the_old_one_signed_stays_good(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Certificates of both verify, the status list is the new key's, audit takes lists of both; the old secret is on no file."""
    with trial(tmp_path) as made:
        serial = certified(made, "ROTAT1")
        (old,) = published(made)
        assert daily.write_if_due(made.services, made.house.database.engine, tmp_path) is not None
        secret = json.loads((tmp_path / "signing.jwk").read_text())["d"]
        assert key(monkeypatch, tmp_path, "rotate", "--by", "C1") == 0
        new = capsys.readouterr().out.strip()
        assert published(made) == [new, old]  # the service went on meanwhile
        assert (verified(made, certificate_of(made, serial)).exit, lapse_entries(made, serial)) == (Exit.IN_FORCE, [])
        later = certified(made, "ROTAT2")
        assert verified(made, certificate_of(made, later)).exit is Exit.IN_FORCE
        only_new = {"keys": [one for one in made.client.get("/.well-known/jwks.json").json["keys"] if one["kid"] == new]}
        open_token(made.client.get("/api/v1/status-list").text, only_new, STATUS_LIST_TYPE)
        kept = list(tmp_path.glob("signing*.jwk"))
        assert len(kept) == 2 and {stat.S_IMODE(file.stat().st_mode) for file in kept} == {0o600}
        assert not any(secret.encode() in file.read_bytes() for file in tmp_path.rglob("*") if file.is_file())
        assert not list(tmp_path.glob(".signing*"))
        assert site_entries(made) == [("signing-key-rotated", "C1", {"old": old, "new": new})]
        signer = SiteSigner.load(tmp_path / "signing.jwk")
        second = daily.signed_list(made.house.database.engine, signer, SITE, made.clock())
        assert second is not None and daily.write(tmp_path / "heads" / "second.jws", second)
        assert main(["audit", "--against", str(tmp_path / "heads")]) == 0
        assert key(monkeypatch, tmp_path, "list") == 0
        assert [line.split()[0] for line in capsys.readouterr().out.splitlines()[-2:]] == [new, old]


def test_a_withdrawn_key_leaves_the_set_and_what_it_signed_lapses(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Only what it signed, each with an entry of its own; offline, nothing under that key is believed any more."""
    with trial(tmp_path) as made:
        lost = certified(made, "LOSTK1")
        (old,) = published(made)
        key(monkeypatch, tmp_path, "rotate", "--by", "C1")
        stays = certified(made, "STAYK1")
        capsys.readouterr()
        said = ["withdraw", old, "--reason", "A copy was on the stolen disk.", "--by", "C1", "--json"]
        assert key(monkeypatch, tmp_path, *said) == 0
        assert json.loads(capsys.readouterr().out) == {"withdrawn": old, "lapsed": [certificate_of(made, lost)]}
        assert old not in published(made) and len(published(made)) == 1
        assert listed(made) == {certificate_of(made, lost): "LAPSE-WITHDRAWN", certificate_of(made, stays): "in-force"}
        assert verified(made, certificate_of(made, lost)).exit is Exit.SIGNATURE_BAD
        assert verified(made, certificate_of(made, stays)).exit is Exit.IN_FORCE
        (entry,) = lapse_entries(made, lost)
        assert (entry["code"], entry["key"]) == ("LAPSE-WITHDRAWN", old) and lapse_entries(made, stays) == []
        assert [kind for kind, _, _ in site_entries(made)] == ["signing-key-rotated", "signing-key-withdrawn"]


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["withdraw", "SIGNS", "--reason", "Stolen.", "--by", "C1"], "key-in-use"),
        (["withdraw", "x" * 43, "--reason", "Stolen.", "--by", "C1"], "unknown-key"),
        (["withdraw", "x" * 43, "--reason", "", "--by", "C1"], "request-invalid"),
        (["rotate", "--by", "two words"], "request-invalid"),
    ],
)
def test_what_is_refused_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], words: list[str], code: str
) -> None:
    """Exit 2 with the code; keys and record stay as they are."""
    with trial(tmp_path) as made:
        signs, before = published(made), made.rows()
        assert key(monkeypatch, tmp_path, *(signs[0] if word == "SIGNS" else word for word in words)) == 2
        assert f"[{code}]" in capsys.readouterr().err
        assert published(made) == signs and made.rows() == before


def test_where_there_is_no_service_no_key_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A wrong data directory is told, not filled."""
    for words in (["list"], ["rotate", "--by", "C1"]):
        assert key(monkeypatch, tmp_path / "elsewhere", *words) == 2
        assert "[file-unreadable]" in capsys.readouterr().err
    assert not (tmp_path / "elsewhere").exists()


@pytest.mark.parametrize("spoilt", ["private", "another", "readable", "no JSON"])
def test_a_former_key_that_is_not_what_it_says_stops_the_start(tmp_path: Path, spoilt: str) -> None:
    """A key that somebody slipped in would make the site confirm what it never signed."""
    path = tmp_path / "signing.jwk"
    SiteSigner.load_or_create(path)
    old, _ = renew_signing_key(path)
    former = tmp_path / f"signing-{old}.jwk"
    match spoilt:
        case "private":
            former.write_text(path.read_text())
        case "another":
            former.rename(tmp_path / f"signing-{'x' * 43}.jwk")
        case "readable":
            former.chmod(0o644)
        case "no JSON":
            former.write_text("{")
    with pytest.raises(SettingsInvalid):
        SiteSigner.load(path)


def test_a_rotation_cut_short_leaves_the_old_key_signing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The public half was kept already, and the set names the key once."""
    path = tmp_path / "signing.jwk"
    signer = SiteSigner.load_or_create(path)
    before = signer.thumbprint

    def full(self: Path, target: Path) -> Path:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(SettingsInvalid, match="cannot be renewed"):
        renew_signing_key(path)
    assert [one["kid"] for one in signer.jwks()["keys"]] == [before] and signer.former == ()
    assert not list(tmp_path.glob(".*"))


def test_a_running_service_signs_with_the_new_key_and_a_backup_with_secrets_brings_both_back(tmp_path: Path) -> None:
    """Real processes: rotate beside `serve`, back up, restore elsewhere, and list the keys there."""
    with served(tmp_path) as (_, service, settings):
        command("key", "rotate", "--by", "C1", settings=settings)
        said = json.loads(command("key", "list", "--json", settings=settings).stdout)
        keys = requests.get(f"{service.url}/.well-known/jwks.json", timeout=10).json()
        assert [one["kid"] for one in keys["keys"]] == [said["signs"], *said["former"]] and len(said["former"]) == 1
        token = requests.get(f"{service.url}/api/v1/status-list", timeout=10).text
        open_token(token, {"keys": keys["keys"][:1]}, STATUS_LIST_TYPE)
        command("backup", tmp_path / "all.tar.gz", "--with-secrets", settings=settings)
    command("restore", tmp_path / "all.tar.gz", "--data", tmp_path / "there", settings=settings)
    there = {**settings, "BENCHWORTHY_DATA": str(tmp_path / "there")}
    assert json.loads(command("key", "list", "--json", settings=there).stdout) == said


def test_a_key_file_that_a_running_service_cannot_read_is_told_and_it_signs_on(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """As after a rotation under another account; once the file can be read, the new key signs."""
    path = tmp_path / "signing.jwk"
    signer = SiteSigner.load_or_create(path)
    before = signer.thumbprint
    _, new = renew_signing_key(path)
    path.chmod(0o640)
    with caplog.at_level("WARNING", "benchworthy"):
        assert signer.thumbprint == before and "cannot be read" in caplog.text
    path.chmod(0o600)
    assert signer.thumbprint == new and signer.former == (before,)
