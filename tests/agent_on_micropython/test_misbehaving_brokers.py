"""The agent's MQTT client against brokers that stall, cut, flood or talk nonsense: none holds a board."""

import socket
import struct
import threading
import time

import pytest

from agent_on_micropython.playing import (
    CONNACK,
    CONNACK_SAME_SESSION,
    Peer,
    accept,
    against,
    play,
    scripted_broker,
)
from services.mosquitto import topic

SUBACK = b"\x90\x03\x00\x01\x01"


def test_a_closed_port_is_told_at_once(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    answer = play(tmp_path, "publish", port=port, sizes=[1])
    assert "cannot connect to 127.0.0.1" in answer["link_error"] and answer["ms"] < 500


def test_a_broker_that_accepts_and_closes_is_told(tmp_path):
    """Trap: errors that are no OSError; the empty answer is one of the places where they come from."""
    answer = against(tmp_path, "publish", lambda peer: peer.packet() and None, sizes=[1])
    assert "closed by the broker" in answer["link_error"] or "connection lost" in answer["link_error"]


STALLS = {
    "silence": b"",
    "half a CONNACK": CONNACK[:3],
    "a type without its length": b"\x20",
    "half a length": b"\x30\xff",
    "half a message after CONNACK": CONNACK + b"\x30\x20\x00\x05top",
    "CONNACK and nothing more": CONNACK,
}


@pytest.mark.parametrize("said", STALLS.values(), ids=STALLS)
def test_a_broker_that_stalls_anywhere_holds_the_board_no_longer_than_the_timeout(tmp_path, said):
    """Trap: a wait that turns blocking in the middle of a packet."""

    def act(peer: Peer) -> None:
        peer.send(said)
        while peer.packet():
            pass

    answer = against(tmp_path, "publish", act, sizes=[10], timeout=1)
    assert answer["link_error"] in ("no answer to CONNECT", "no PUBACK")
    assert 900 <= answer["ms"] < 2500


def test_a_broker_that_stops_reading_holds_the_board_no_longer_than_the_timeout(tmp_path):
    done = threading.Event()

    def act(peer: Peer) -> None:
        accept(peer)
        done.wait(10)

    with scripted_broker(act) as port:
        answer = play(tmp_path, "publish", port=port, sizes=[60000] * 200, qos=0)
        done.set()
    assert "while sending" in answer["link_error"] or "does not read" in answer["link_error"]
    assert answer["ms"] < 4000


def test_packets_that_arrive_byte_by_byte_are_put_together_and_acknowledged_exactly(tmp_path):
    name = topic("TRN1", "request").encode()
    body = struct.pack("!H", len(name)) + name + b"\x12\x34" + b"p" * 200
    publish = b"\x32" + bytes([len(body) & 0x7F | 0x80, len(body) >> 7]) + body

    def act(peer: Peer) -> None:
        accept(peer)
        assert peer.packet() == b"\x82" + bytes([len(name) + 5]) + b"\x00\x01" + struct.pack(
            "!H", len(name)
        ) + name + b"\x01"
        for octet in SUBACK + publish:
            peer.send(bytes([octet]))
            time.sleep(0.001)
        assert peer.packet() == b"\x40\x02\x12\x34"
        assert peer.packet() == b""

    done = against(tmp_path, "collect", act, count=1, ms=3000)["done"]
    assert done == [[name.decode(), 200]]


def test_the_connect_packet_is_the_standards_byte_for_byte(tmp_path):
    """OASIS MQTT 3.1.1, 3.1: protocol name, level, flags, keep alive, then client id, user name, password."""
    seen = []

    def act(peer: Peer) -> None:
        seen.append(peer.packet())
        peer.send(CONNACK)

    against(tmp_path, "publish", act, sizes=[], keepalive=30)
    assert seen == [b"\x10\x22\x00\x04MQTT\x04\xc0\x00\x1e\x00\x04TRN1\x00\x04TRN1\x00\x0aone-secret"]


def test_a_report_cut_off_before_its_acknowledgement_goes_again_marked_dup(tmp_path):
    """Trap: no second try of what was not acknowledged."""
    sent = []

    def cut(peer: Peer) -> None:
        accept(peer)
        sent.append(peer.packet())

    def resume(peer: Peer) -> None:
        assert peer.packet()[0] == 0x10
        peer.send(CONNACK_SAME_SESSION)
        sent.append(peer.packet())
        peer.send(b"\x40\x02\x00\x01")
        sent.append(peer.packet())
        peer.send(b"\x40\x02\x00\x02")

    went = against(tmp_path, "publish_twice", cut, resume)["done"]
    assert went[0] is False and went[2:] == [True, 0]
    assert "closed" in went[1] or "lost" in went[1]
    first, again, second = sent
    assert first[0] == 0x32 and first.endswith(b"\x00\x01evidence")
    assert again == b"\x3a" + first[1:]
    assert second[0] == 0x32 and second.endswith(b"\x00\x02more")


def test_a_new_session_is_sent_nothing_of_the_old_one(tmp_path):
    def cut(peer: Peer) -> None:
        accept(peer)
        peer.packet()

    def forgotten(peer: Peer) -> None:
        accept(peer)
        packet = peer.packet()
        assert packet[0] == 0x32 and packet.endswith(b"\x00\x02more")
        peer.send(b"\x40\x02\x00\x02")

    went = against(tmp_path, "publish_twice", cut, forgotten)["done"]
    assert went[2:] == [False, 0]


def test_a_ping_without_answer_ends_the_connection(tmp_path):
    def act(peer: Peer) -> None:
        accept(peer)
        assert peer.packet() == b"\xc0\x00"
        assert peer.packet() == b""

    answer = against(tmp_path, "wait_only", act, keepalive=1, ms=8000)
    assert answer["link_error"] == "no answer to a ping" and answer["ms"] < 3000


def test_a_broker_that_never_stops_sending_does_not_hold_the_board(tmp_path):
    """The wait ends on time and the inbox stays small."""

    def act(peer: Peer) -> None:
        accept(peer)
        while True:
            peer.send(b"\x30\x05\x00\x01tpp" * 500)

    done = against(tmp_path, "wait_only", act, ms=500)["done"]
    assert done["ms"] < 1500 and done["kept"] == 16


MALFORMED = {
    "too long": CONNACK + b"\x30\xff\xff\x03",
    "a length of five bytes": CONNACK + b"\x30\xff\xff\xff\xff\x01",
    "a topic past its packet": CONNACK + b"\x30\x03\x00\x09t",
    "an empty message": CONNACK + b"\x30\x00",
    "a topic that is no UTF-8": CONNACK + b"\x30\x04\x00\x02\xff\xfe",
    "QoS 1 without identifier": CONNACK + b"\x32\x03\x00\x01t",
    "QoS 2": CONNACK + b"\x34\x05\x00\x01t\x00\x01",
    "QoS 3": CONNACK + b"\x36\x05\x00\x01t\x00\x01",
    "a PUBACK without identifier": CONNACK + b"\x40\x00",
    "a SUBACK without codes": CONNACK + b"\x90\x02\x00\x01",
    "a CONNECT from the broker": CONNACK + b"\x10\x00",
    "another protocol": b"HTTP/1.1 400 Bad Request\r\n\r\n",
    "zeros": bytes(64),
    "an empty CONNACK": b"\x20\x00",
    "a refusal of the protocol": b"\x20\x02\x00\x01",
    "an unknown refusal": b"\x20\x02\x00\x99",
}


@pytest.mark.parametrize("said", MALFORMED.values(), ids=MALFORMED)
def test_malformed_packets_end_in_one_short_text(tmp_path, said):
    def act(peer: Peer) -> None:
        peer.packet()
        peer.send(said)
        while peer.packet():
            pass

    answer = against(tmp_path, "wait_only", act, ms=3000)
    assert 5 < len(answer["link_error"]) < 60
    assert answer["ms"] < 2500


def test_a_callback_may_hang_up(tmp_path):
    def act(peer: Peer) -> None:
        accept(peer)
        peer.send(b"\x30\x05\x00\x01tpp")
        while peer.packet():
            pass

    answer = against(tmp_path, "hang_up_in_callback", act, ms=2000)
    assert answer["link_error"] == "disconnected by the callback"


def test_a_length_of_three_bytes_is_right_too(tmp_path):
    sizes = [16383 - 34, 16384 - 34, 20000]

    def act(peer: Peer) -> None:
        accept(peer)
        for size in sizes:
            packet = peer.packet()
            assert packet.endswith(b"x" * size) and len(packet) >= size + 34
            peer.send(b"\x40\x02" + packet[-size - 2 : -size])

    assert against(tmp_path, "publish", act, sizes=sizes, site="s" * 5)["done"]["open"] == 0
