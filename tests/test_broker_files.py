"""The files of the broker: a real mosquitto reads them, and lets each user reach its own topics only."""

import os
import stat
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from benchworthy.errors import SettingsInvalid
from benchworthy.intake import broker_files
from services.mosquitto import LISTENER, SITE, Mosquitto, running_mosquitto, topic, until

BOARDS = {"TRN1": "one-secret", "TRN2": "two-secret"}


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    with running_mosquitto(tmp_path_factory.mktemp("mosquitto"), BOARDS) as running:
        yield running


@contextmanager
def peer(broker: Mosquitto, user: str, password: str, *topics: str, clean: bool = True) -> Iterator[paho.Client]:
    """A connected client; what it hears is in `userdata`, a list of (topic, payload)."""
    heard: list[tuple[str, bytes]] = []
    version = paho.CallbackAPIVersion.VERSION2
    client = paho.Client(version, f"test-{user}", clean_session=clean, userdata=heard)
    client.username_pw_set(user, password)
    client.on_message = lambda _client, _heard, message: heard.append((message.topic, message.payload))
    answers: list[paho.ReasonCode] = []
    client.on_connect = lambda _client, _heard, _flags, code, _properties: answers.append(code)
    granted: list[int] = []
    client.on_subscribe = lambda *_: granted.append(1)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    try:
        assert until(lambda: bool(answers)), "no answer"
        assert not answers[0].is_failure, "refused"
        for topic in topics:
            client.subscribe(topic, 1)
        assert until(lambda: len(granted) == len(topics))
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def send(client: paho.Client, where: str, what: str) -> None:
    client.publish(where, what, 1).wait_for_publish(5)


def test_the_listener_hears_what_a_board_writes_and_nothing_that_it_may_not(broker):
    denied = (topic("TRN2", "report"), topic("TRN1", "receipt"), topic("TRN1", "request"), "elsewhere")
    with peer(broker, *LISTENER, "benchworthy/#") as listener, peer(broker, "TRN1", "one-secret") as board:
        for where in denied:
            send(board, where, "denied")
        send(board, topic("TRN1", "report"), "r")
        send(board, topic("TRN1", "state"), "s")
        heard = listener.user_data_get()
        assert until(lambda: len(heard) >= 2)
        assert heard == [(topic("TRN1", "report"), b"r"), (topic("TRN1", "state"), b"s")]


def test_a_board_hears_its_own_receipts_and_requests_only(broker):
    with peer(broker, *LISTENER) as listener, peer(broker, "TRN1", "one-secret", "#") as board:
        send(listener, topic("TRN2", "receipt"), "another's")
        send(listener, topic("TRN1", "report"), "denied to the listener")
        send(listener, topic("TRN1", "receipt"), "mine")
        send(listener, topic("TRN1", "request"), "mine too")
        heard = board.user_data_get()
        assert until(lambda: len(heard) >= 2)
        assert heard == [(topic("TRN1", "receipt"), b"mine"), (topic("TRN1", "request"), b"mine too")]


@pytest.mark.parametrize(("user", "password"), [("TRN1", "two-secret"), ("TRN9", "x"), ("", "")])
def test_strangers_and_wrong_passwords_are_refused(broker, user, password):
    with pytest.raises(AssertionError, match="refused"), peer(broker, user, password):
        pass


def test_a_reload_admits_a_new_board_and_a_withdrawn_one_is_refused(tmp_path):
    with running_mosquitto(tmp_path, {"TRN1": "one-secret"}) as broker:
        broker.boards = {"TRN3": "three-secret"}
        broker.reload()
        with peer(broker, "TRN3", "three-secret"):
            pass
        with pytest.raises(AssertionError, match="refused"), peer(broker, "TRN1", "one-secret"):
            pass


def test_a_message_for_an_absent_listener_survives_a_restart_of_the_broker(tmp_path):
    with running_mosquitto(tmp_path, BOARDS) as broker:
        with peer(broker, *LISTENER, topic("+", "report"), clean=False):
            pass
        with peer(broker, "TRN1", "one-secret") as board:
            send(board, topic("TRN1", "report"), "kept")
        broker.stop()
        broker.start()
        with peer(broker, *LISTENER, clean=False) as listener:
            assert until(lambda: listener.user_data_get() == [(topic("TRN1", "report"), b"kept")])


def write(directory: Path, **changes) -> Path:
    given = {"port": 1883, "site": SITE, "boards": BOARDS, "listener": LISTENER, "salt": os.urandom}
    return broker_files.write(directory, **{**given, **changes})


def test_the_files_are_readable_by_their_owner_only_and_hold_no_password(tmp_path):
    before = os.umask(0)
    try:
        configuration = write(tmp_path / "broker")
    finally:
        os.umask(before)
    assert configuration == tmp_path / "broker" / "mosquitto.conf"
    files = sorted(configuration.parent.iterdir())
    assert [file.name for file in files] == ["access", "mosquitto.conf", "passwords"]
    for file in files:
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
        assert "secret" not in file.read_text()


def test_writing_again_replaces_the_files_and_salts_anew(tmp_path):
    passwords = write(tmp_path).parent / "passwords"
    first = passwords.read_text()
    passwords.chmod(0o644)
    write(tmp_path)
    assert passwords.read_text() != first
    assert stat.S_IMODE(passwords.stat().st_mode) == 0o600


def test_the_password_form_is_pbkdf2_over_sha512_in_openssls_reckoning():
    """Cross-checked with `openssl kdf`, skipped where that is too old to have it."""
    form = broker_files.hashed("secret", b"twelve bytes")
    empty, kind, rounds, salt, derived = form.split("$")
    assert (empty, kind, rounds, salt) == ("", "7", "1000", "dHdlbHZlIGJ5dGVz")
    options = ["-kdfopt", "digest:SHA512", "-kdfopt", "pass:secret", "-kdfopt", "salt:twelve bytes"]
    command = ["openssl", "kdf", "-keylen", "64", *options, "-kdfopt", "iter:1000", "-binary", "PBKDF2"]
    try:
        answer = subprocess.run(command, capture_output=True, timeout=10)
    except FileNotFoundError:
        pytest.skip("no openssl")
    if answer.returncode != 0:
        pytest.skip("this openssl has no kdf command")
    assert derived == broker_files.base64.b64encode(answer.stdout).decode()


@pytest.mark.parametrize(
    "changes",
    [
        {"port": 0},
        {"site": "a/b"},
        {"site": "+"},
        {"site": ""},
        {"boards": {"TRN1\nuser evil": "x"}},
        {"boards": {"TRN:1": "x"}},
        {"boards": {"#": "x"}},
        {"boards": {"TRN1": ""}},
        {"boards": {"listener": "x"}},
        {"listener": ("a b", "x")},
        {"listener": ("listener", "")},
        {"run_as": "root\nallow_anonymous true"},
    ],
)
def test_a_name_that_would_change_the_files_meaning_is_refused_before_anything_is_written(tmp_path, changes):
    with pytest.raises(SettingsInvalid):
        write(tmp_path / "broker", **changes)
    assert not (tmp_path / "broker").exists()


def test_a_directory_with_a_line_break_in_its_name_is_refused(tmp_path):
    with pytest.raises(SettingsInvalid):
        write(tmp_path / "a\nallow_anonymous true")
