"""The same rules on both brokers, mosquitto and the embedded one: each test runs against the real processes of both."""

import signal
import socket
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from services.brokers import KINDS, Embedded, Refused, Side, peer, side, topic, until

QUIET_S = 0.5  # long enough for a message that must not come to have come; on either broker one takes milliseconds


@pytest.fixture(scope="module", params=KINDS)
def both(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Side]:
    with side(request.param, tmp_path_factory.mktemp(request.param)) as made:
        yield made


@pytest.fixture
def one(both: Side) -> tuple[str, str]:
    return next(iter(both.boards.items()))


@pytest.fixture
def two(both: Side) -> tuple[str, str]:
    return list(both.boards.items())[1]


def test_the_listener_hears_what_a_board_writes_and_nothing_that_it_may_not(both: Side, one, two) -> None:
    """Foreign topics, its own receipts and topics of nobody: acknowledged, and dropped."""
    denied = (
        topic(two[0], "report"),
        topic(one[0], "receipt"),
        topic(one[0], "request"),
        "elsewhere",
        "benchworthy/v1/x/y/report",
    )
    with peer(both, *both.listener, topic("+", "report"), topic("+", "state")) as listener, peer(both, *one) as board:
        for where in denied:
            board.send(where, "denied")
        board.send(topic(one[0], "report"), "r")
        board.send(topic(one[0], "state"), "s")
        assert listener.hears((topic(one[0], "report"), b"r"), (topic(one[0], "state"), b"s")), listener.heard


def test_a_board_hears_its_own_receipts_and_requests_only(both: Side, one, two) -> None:
    """Also when it asks for everything, and for another's."""
    wanted = ("#", topic("+", "receipt"), topic(two[0], "receipt"), topic(one[0], "receipt"), topic(one[0], "request"))
    with peer(both, *both.listener) as listener, peer(both, *one, *wanted) as board:
        listener.send(topic(two[0], "receipt"), "another's")
        listener.send(topic(one[0], "report"), "denied to the listener")
        listener.send(topic(one[0], "receipt"), "mine")
        assert until(lambda: bool(board.heard))
        time.sleep(QUIET_S)
        assert set(board.heard) == {(topic(one[0], "receipt"), b"mine")}
        if both.kind == "embedded":
            assert board.granted == [0x80, 0x80, 0x80, 1, 1]


@pytest.mark.parametrize("leaf", ["report", "state"])
def test_a_board_cannot_read_what_boards_write(both: Side, one, two, leaf: str) -> None:
    with peer(both, *one, topic(two[0], leaf), topic("+", leaf), topic(one[0], leaf)) as reader, peer(both, *two) as writer:
        writer.send(topic(two[0], leaf), "not for you", retain=leaf == "state")
        time.sleep(QUIET_S)
        assert reader.heard == []
        writer.send(topic(two[0], leaf), "", retain=leaf == "state")


@pytest.mark.parametrize("case", ["another's password", "unknown", "anonymous", "user without password", "empty password"])
def test_strangers_and_wrong_passwords_are_refused(both: Side, one, two, case: str) -> None:
    user, password = {
        "another's password": (one[0], two[1]),
        "unknown": ("NOBODY1", "x"),
        "anonymous": ("", ""),
        "user without password": (one[0], ""),
        "empty password": ("listener", ""),
    }[case]
    with pytest.raises(Refused), peer(both, user, password):
        pass


def test_a_board_enrolled_while_the_broker_runs_connects_at_once(both: Side) -> None:
    serial, password = both.enrol(f"NEW{both.kind[:2].upper()}")
    with peer(both, *both.listener, topic("+", "report")) as listener, peer(both, serial, password) as board:
        board.send(topic(serial, "report"), "first")
        assert listener.hears((topic(serial, "report"), b"first"))


def test_a_stranger_who_knows_a_client_id_disturbs_nobody(both: Side, one) -> None:
    """Refused before anything of the session is touched: neither the connection nor what waits in it."""
    with peer(both, *both.listener, topic("+", "report"), name="the-listener", clean=False) as listener:
        for clean in (True, False):
            with pytest.raises(Refused), peer(both, one[0], "wrong", name="the-listener", clean=clean):
                pass
        with peer(both, *one) as board:
            board.send(topic(one[0], "report"), "still")
        assert listener.hears((topic(one[0], "report"), b"still"))
    with peer(both, *both.listener, name="the-listener", clean=True):
        pass


def test_another_user_with_the_listeners_client_id_gets_nothing_that_waits_for_it(both: Side, one, two) -> None:
    with peer(both, *both.listener, topic("+", "report"), name="taken", clean=False):
        pass
    with peer(both, *two) as board:
        board.send(topic(two[0], "report"), "for the listener")
    with peer(both, *one, name="taken", clean=False) as thief:
        time.sleep(QUIET_S)
        assert thief.heard == []
    with peer(both, *one, name="taken"), peer(both, *both.listener, name="taken"):
        pass


def test_a_board_that_is_away_finds_what_waited_for_it(both: Side, one) -> None:
    """Its session outlives its connection; fifty receipts, all there, once, in order."""
    with peer(both, *one, topic(one[0], "receipt"), clean=False, name=one[0]) as board:
        assert not board.session_present
    expected = [(topic(one[0], "receipt"), f"r{number}".encode()) for number in range(50)]
    with peer(both, *both.listener) as listener:
        for where, what in expected:
            listener.send(where, what)
    with peer(both, *one, clean=False, name=one[0]) as board:
        assert board.session_present
        assert until(lambda: len(board.heard) >= 50), len(board.heard)
        time.sleep(QUIET_S)
        assert board.heard == expected
    with peer(both, *one, name=one[0]):
        pass


def test_a_board_that_connects_again_beside_its_dead_connection_is_served(both: Side, one) -> None:
    """As after a power cut: the broker still holds the old connection."""
    with peer(both, *one, topic(one[0], "receipt"), clean=False, name=one[0]) as old:
        old.client.loop_stop()
        with peer(both, *one, clean=False, name=one[0]) as board, peer(both, *both.listener) as listener:
            listener.send(topic(one[0], "receipt"), "for the new one")
            assert board.hears((topic(one[0], "receipt"), b"for the new one"))
    with peer(both, *one, name=one[0]):
        pass


def test_a_retained_state_comes_to_a_listener_that_comes_later_and_to_nobody_else(both: Side, one, two) -> None:
    with peer(both, *one) as board:
        board.send(topic(one[0], "state"), "online", retain=True)
    with peer(both, *both.listener, topic("+", "state")) as listener, peer(both, *two, clean=False, name=two[0]) as other:
        assert listener.hears((topic(one[0], "state"), b"online"))
        time.sleep(QUIET_S)
        assert other.heard == []
    with peer(both, *one) as board:
        board.send(topic(one[0], "state"), "", retain=True)
    with peer(both, *both.listener, topic("+", "state")) as listener:
        time.sleep(QUIET_S)
        assert listener.heard == []


@pytest.mark.parametrize("whose", ["own", "another's"])
def test_a_will_is_published_only_where_its_board_may_write(both: Side, one, two, whose: str) -> None:
    where = topic((one if whose == "own" else two)[0], "state")
    with peer(both, *both.listener, topic("+", "state")) as listener:
        with peer(both, *one, will=(where, b"offline", False), abrupt=True):
            pass
        if whose == "own":
            assert listener.hears((where, b"offline"))
        else:
            time.sleep(QUIET_S)
            assert listener.heard == []


def connect_packet(user: str, password: str, will: tuple[str, str], keepalive: int) -> bytes:
    """A CONNECT of MQTT 3.1.1 by hand, for a client that then says nothing any more."""

    def text(words: str) -> bytes:
        return len(words.encode()).to_bytes(2, "big") + words.encode()

    body = text("MQTT") + b"\x04\xc6" + keepalive.to_bytes(2, "big") + text("silent") + text(will[0]) + text(will[1])
    body += text(user) + text(password)
    assert len(body) < 16384
    return b"\x10" + bytes([len(body) % 128 | 0x80, len(body) // 128]) + body


def test_a_board_that_falls_silent_is_missed_and_its_will_comes(both: Side, one) -> None:
    """The socket stays open, as after a power cut; one and a half times the keep-alive later the broker knows."""
    where = topic(one[0], "state")
    with (
        peer(both, *both.listener, topic("+", "state")) as listener,
        closing(socket.create_connection(("127.0.0.1", both.port))) as s,
    ):
        s.sendall(connect_packet(*one, (where, "gone"), 1))
        assert s.recv(4) == b"\x20\x02\x00\x00"
        assert until(lambda: (where, b"gone") in listener.heard, 10)


MALFORMED = {
    "nothing": b"",
    "not MQTT": b"GET / HTTP/1.1\r\nHost: x\r\n\r\n",
    "zeros": b"\0" * 64,
    "reserved type": b"\xf0\x02\0\0",
    "length without end": b"\x10\xff\xff\xff\xff\xff\xff",
    "cut CONNECT": b"\x10\x20\0\4MQ",
    "CONNECT too large": b"\x10\xff\xff\xff\x7f" + b"x" * 4096,
    "protocol 3": b"\x10\x0e\0\6MQIsdp\3\2\0\x3c\0\0",
    "protocol 9": b"\x10\x0d\0\4MQTT\x09\x02\0\x3c\0\1a",
    "user not UTF-8": b"\x10\x12\0\4MQTT\4\x82\0\x3c\0\1a\0\3\xff\xfe\xfd",
    "PUBLISH first": b"\x30\x05\0\3abcx",
    "random": bytes(range(256)),
}


@pytest.mark.parametrize("case", MALFORMED)
def test_after_malformed_connections_the_broker_still_serves(both: Side, one, case: str) -> None:
    for _ in range(30):
        with closing(socket.create_connection(("127.0.0.1", both.port))) as s:
            s.sendall(MALFORMED[case])
    with peer(both, *both.listener, topic("+", "report")) as listener, peer(both, *one) as board:
        board.send(topic(one[0], "report"), case)
        assert listener.hears((topic(one[0], "report"), case.encode()))


def test_a_message_larger_than_a_report_may_be_goes_nowhere(both: Side, one) -> None:
    with peer(both, *both.listener, topic("+", "report")) as listener:
        with peer(both, *one, name="large") as board:
            board.client.publish(topic(one[0], "report"), b"x" * 20_000, 1)
            time.sleep(QUIET_S)
        with peer(both, *one) as board:
            board.send(topic(one[0], "report"), "small")
        assert listener.hears((topic(one[0], "report"), b"small"))


# ------------------------------------------------------------------------------------------ the embedded one alone


@pytest.fixture
def embedded(tmp_path: Path) -> Iterator[tuple[Side, Embedded]]:
    with side("embedded", tmp_path) as made:
        assert isinstance(made.broker, Embedded)
        yield made, made.broker


def test_what_a_listener_did_not_acknowledge_comes_again(embedded: tuple[Side, Embedded]) -> None:
    """A hundred reports while the listener takes none of them: after its death and return all hundred are there."""
    made, _ = embedded
    serial, password = next(iter(made.boards.items()))
    with peer(made, *made.listener, topic("+", "report"), clean=False, name="l") as listener:
        listener.client.manual_ack_set(True)
        with peer(made, serial, password) as board:
            for number in range(100):
                board.send(topic(serial, "report"), str(number))
        listener.client.socket().close()
    with peer(made, *made.listener, clean=False, name="l") as listener:
        assert until(lambda: len({what for _, what in listener.heard}) == 100), len(listener.heard)


def test_its_log_stays_short_and_holds_no_password_and_no_line_of_a_strangers(embedded: tuple[Side, Embedded]) -> None:
    made, broker = embedded
    for number in range(300):
        with closing(socket.create_connection(("127.0.0.1", made.port))) as s:
            s.sendall(connect_packet(f"evil\nINFO {number}", "the-password", ("a", "b"), 60))
            assert s.recv(4) == b"\x20\x02\x00\x05"
    log = broker.log()
    assert log.count("\n") <= 70, log.count("\n")
    assert "the-password" not in log and "\nevil" not in log
    assert all(password not in log for password in made.boards.values())


def test_it_ends_when_told_to_and_says_when_its_port_is_taken(embedded: tuple[Side, Embedded]) -> None:
    """Exit 0 by SIGTERM with clients connected; exit 2 and one sentence where something else listens."""
    made, broker = embedded
    again = Embedded(broker.environment, broker.log_file, broker.port)
    again.start()
    assert again.process is not None and again.process.wait(10) == 2
    assert "BENCHWORTHY_MQTT_LISTEN" in broker.log()
    serial, password = next(iter(made.boards.items()))
    with peer(made, serial, password):
        assert broker.stop(signal.SIGTERM) == 0
