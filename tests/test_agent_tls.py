"""TLS of the agent's link on real MicroPython against a real mosquitto: checked, or nothing is sent. And the clock for it."""

import base64
import json
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from benchworthy import RELEASED
from services import micropython
from services.certificates import DAY, Signed, authority, signed_by
from services.mosquitto import SITE, Mosquitto, listener, running_mosquitto, topic, until

SCRIPT = micropython.SCRIPTS / "tls_scenarios.py"
SERIAL, PASSWORD, HOST = "TRN1", "one-secret", "localhost"


@pytest.fixture(scope="module")
def ca() -> Signed:
    return authority()


@pytest.fixture(scope="module")
def broker(ca: Signed, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    """It shows another certificate on each of its ports."""
    shown = {
        "right": signed_by(ca, HOST),
        "address": signed_by(ca, "127.0.0.1"),
        "another authority's": signed_by(authority(), HOST),
        "another host's": signed_by(ca, "elsewhere.invalid"),
        "expired": signed_by(ca, HOST, (-9 * DAY, -DAY)),
        "not yet valid": signed_by(ca, HOST, (DAY, 9 * DAY)),
    }
    with running_mosquitto(tmp_path_factory.mktemp("mosquitto"), {SERIAL: PASSWORD}, shown) as running:
        yield running


@pytest.fixture
def board(broker: Mosquitto, ca: Signed, tmp_path: Path) -> Callable[..., Any]:
    """Sends one report over TLS to the port with that certificate; what the board says of it."""

    def play(shown: str = "right", path: tuple[Path, ...] = (), **changes: Any) -> Any:
        access = {
            "site": SITE,
            "host": HOST,
            "port": broker.tls_ports[shown],
            "user": SERIAL,
            "password": PASSWORD,
            "tls": {"ca": base64.b64encode(ca.der).decode()},
            **changes,
        }
        given = json.dumps({"serial": SERIAL, "access": access})
        found = (*path, micropython.AGENT)
        return json.loads(micropython.run(SCRIPT, "send", cwd=tmp_path, given=given, path=found).splitlines()[-1])

    return play


def test_a_checked_broker_gets_the_report_by_password_and_access_list(board, broker):
    with listener(broker) as heard:
        said = board()
        assert until(lambda: (topic(SERIAL, "report"), b"x" * 4000, False) in heard)
    assert said["error"] is None and said["ms"] < 2000


def test_an_address_in_the_certificate_is_enough_where_there_is_no_name(board):
    assert board("address", host="127.0.0.1")["error"] is None
    assert "Common Name" in board("right", host="127.0.0.1")["error"]


REFUSED = {
    "another authority's": "not correctly signed by the trusted CA",
    "another host's": "does not match with the expected CN",
    "expired": "validity has expired",
    "not yet valid": "validity starts in the future",
}


@pytest.mark.parametrize(("shown", "words"), REFUSED.items(), ids=REFUSED)
def test_each_wrong_certificate_is_told_apart_and_nothing_is_sent(board, broker, shown, words):
    before = broker.log().count("New client connected")
    assert words in board(shown)["error"]
    assert broker.log().count("New client connected") == before


def test_a_wrong_password_is_told_as_such_over_tls_too(board):
    assert "not authorized" in board(password="wrong")["error"]


@pytest.mark.parametrize("ca_der", [b"", b"no certificate", b"-----BEGIN CERTIFICATE-----\n"])
def test_an_authority_that_is_none_is_refused(board, ca_der):
    said = board(tls={"ca": base64.b64encode(ca_der or b"\x30").decode()})
    assert said["error"].startswith("TLS: ") and said["error"] != "TLS: "


def test_a_port_without_tls_is_told_as_such(board, broker):
    assert "does the broker speak TLS on this port?" in board(port=broker.port)["error"]


@pytest.mark.parametrize("answer", [b"", b"\x16\x03\x03\x00\x7a\x02"], ids=["silence", "half a record"])
def test_a_broker_that_stalls_in_the_handshake_holds_the_board_no_longer_than_the_timeout(board, answer):
    with accepting(answer) as port:
        said = board(port=port)
    assert said["error"] == "TLS: the broker does not answer the handshake"
    assert 1900 <= said["ms"] < 4000


@contextmanager
def accepting(answer: bytes) -> Iterator[int]:
    """A port that accepts, says `answer`, and then nothing for as long as the block lasts."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        held: list[socket.socket] = []

        def serve() -> None:
            connection, _ = server.accept()
            held.append(connection)
            connection.sendall(answer)

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield server.getsockname()[1]
        finally:
            thread.join(5)
            for connection in held:
                connection.close()


UNSET = """
from utime import *
import utime
ticks_ms, ticks_diff, ticks_add = utime.ticks_ms, utime.ticks_diff, utime.ticks_add
def gmtime(seconds=None):
    return utime.gmtime({seconds} if seconds is None else seconds)
"""


@pytest.mark.parametrize("seconds", [0, 946684800, 1609459200], ids=["1970", "2000", "2021"])
def test_an_unset_clock_is_told_as_such_before_anything_is_sent(board, tmp_path, seconds):
    """The years in which boards begin when nobody told them another."""
    fake = tmp_path / "fake"
    fake.mkdir()
    (fake / "time.py").write_text(UNSET.replace("{seconds}", str(seconds)))
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.2)
        said = board(path=(fake,), port=server.getsockname()[1])
        with pytest.raises(TimeoutError):
            server.accept()
    assert said["error"].startswith("the clock is not set")


OLD_SSL = "CERT_NONE, CERT_REQUIRED = 0, 2\ndef wrap_socket(sock, **options):\n    raise AssertionError('unchecked')\n"
LAME_SSL = OLD_SSL + "class SSLContext:\n    def wrap_socket(self, sock, **options):\n        raise AssertionError('unchecked')\n"


@pytest.mark.parametrize("module", [OLD_SSL, LAME_SSL], ids=["without contexts", "contexts without authorities"])
def test_a_micropython_that_cannot_check_refuses_instead_of_not_checking(board, tmp_path, module):
    fake = tmp_path / "fake"
    fake.mkdir()
    (fake / "ssl.py").write_text(module)
    assert board(path=(fake,))["error"] == "this MicroPython cannot check a certificate: TLS needs 1.22 or newer"


# -- the clock

NOW = 1_795_600_000  # in November 2026
TO_1900 = 2_208_988_800  # seconds from 1900 to 1970, RFC 868


def answer_to(question: bytes, seconds: int = NOW, **changes: Any) -> bytes:
    """What a server of RFC 5905 says: mode 4, a stratum, our own words back, and its time."""
    first, stratum = changes.get("first", 0x24), changes.get("stratum", 2)
    nonce = changes.get("nonce", question[40:48])
    stamp = struct.pack("!II", (seconds + TO_1900) & 0xFFFFFFFF, 0)
    return bytes((first, stratum, 6, 0xEC)) + bytes(20) + nonce + stamp + stamp


@contextmanager
def time_server(answer: Callable[[bytes], bytes | None]) -> Iterator[int]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as server:
        server.bind(("127.0.0.1", 0))
        server.settimeout(10)

        def serve() -> None:
            question, asker = server.recvfrom(100)
            said = answer(question)
            if said is not None:
                server.sendto(said, asker)

        thread = threading.Thread(target=serve)
        thread.start()
        yield server.getsockname()[1]
        thread.join(5)


def ask_the_time(place: Path, answer: Callable[[bytes], bytes | None]) -> Any:
    with time_server(answer) as port:
        given = json.dumps({"host": "127.0.0.1", "port": port})
        return json.loads(micropython.run(SCRIPT, "ask_the_time", cwd=place, given=given))


def test_a_right_answer_sets_the_clock_in_utc(tmp_path):
    said = ask_the_time(tmp_path, answer_to)
    assert said["took"] and said["set"][:6] == list(time.gmtime(NOW)[:6])
    assert said["files"] == 0


def test_the_32_bits_of_the_protocol_that_begin_anew_in_2036_are_understood(tmp_path):
    later = 2_100_000_000  # in July 2036
    assert ask_the_time(tmp_path, lambda asked: answer_to(asked, later))["set"][:2] == [2036, 7]


DISBELIEVED: dict[str, Callable[[bytes], bytes | None]] = {
    "a refusal": lambda asked: answer_to(asked, stratum=0),
    "one that knows nothing": lambda asked: answer_to(asked, stratum=16),
    "not synchronised": lambda asked: answer_to(asked, first=0xE4),
    "a client's question": lambda asked: answer_to(asked, first=0x23),
    "an answer to another": lambda asked: answer_to(asked, nonce=bytes(8)),
    "1970": lambda asked: answer_to(asked, 0),
    "last year": lambda asked: answer_to(asked, NOW - 365 * 86400),
    "half an answer": lambda asked: answer_to(asked)[:40],
    "nothing": lambda asked: b"",
    "silence": lambda _: None,
}


@pytest.mark.parametrize("answer", DISBELIEVED.values(), ids=DISBELIEVED)
def test_an_answer_that_is_not_to_be_believed_sets_nothing_in_bounded_time(tmp_path, answer):
    said = ask_the_time(tmp_path, answer)
    assert (said["took"], said["set"], said["files"]) == (False, None, 0)
    assert said["ms"] < 1500


def test_an_unknown_time_server_sets_nothing(tmp_path):
    given = json.dumps({"host": "no-such-host.invalid", "port": 123})
    assert not json.loads(micropython.run(SCRIPT, "ask_the_time", cwd=tmp_path, given=given))["took"]


def test_the_clock_of_this_machine_is_set_and_the_agent_knows_its_own_year(tmp_path):
    script = "from benchworthy_agent import clock\nprint(clock.ok(), clock.BUILT)"
    assert micropython.run(script, cwd=tmp_path) == f"True {RELEASED[:4]}\n"
