"""The virtual board: the real agent on real MicroPython, over a real serial port, against the circuit of the Tarn."""

import base64
import hashlib
import hmac
import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from benchworthy.bench.people import Operator
from benchworthy.designs import agent_release
from benchworthy.errors import BoardSilent
from benchworthy.reports.receipt import Receipt, message
from benchworthy.reports.token import digest, split
from benchworthy.virtual.board import VirtualBoard
from services.micropython import interpreter
from services.mosquitto import LISTENER, SITE, running_mosquitto
from services.virtual_table import CONTEXT, KEY, MODULE, PLAN, PLUG, RUN, SERIAL, SHEET, Table, table


@pytest.fixture
def nominal(tmp_path: Path) -> Iterator[Table]:
    """A sound board with every part at its nominal value."""
    with table(tmp_path) as on_table:
        yield on_table


def b64(text: bytes) -> bytes:
    return base64.urlsafe_b64decode(text + b"=" * (-len(text) % 4))


def receipt_for(token: bytes, verdict: str = "accepted", key: bytes = KEY) -> str:
    mac = hmac.new(key, message(digest(token), verdict), hashlib.sha256).hexdigest()
    return Receipt(digest(token), verdict, mac).to_json()


def test_the_raw_repl_answers_on_the_port(nominal: Table) -> None:
    """mpremote's transport works on it as on a real board."""
    assert nominal.wire.exec("print(6 * 7)") == b"42\n"


def test_a_sound_board_at_nominal_values_meets_every_tolerance(nominal: Table) -> None:
    """Through interpreter, converter and formula."""
    nominal.person.fit_plug()
    found = nominal.quantities(2)
    assert len(found) >= 10
    for (test, name), value in found.items():
        (quantity,) = [q for q in SHEET.tests[test].quantities if q.name == name]
        assert quantity.low <= value <= quantity.high, (test, name, value)
    assert found["PWR-V5", "V5"] == pytest.approx(5.0, abs=0.08)
    assert nominal.person.read_meter("PWR-DMM33") == pytest.approx(3.3, abs=0.07)


def test_a_sound_board_reads_plausible_codes(nominal: Table) -> None:
    """U3 at 1.235 V over 3.3 V is about code 1533, half of 5 V about 3100; both follow from the parts' values."""
    ref = nominal.readings(2)["PWR-V5"]["steps"]
    assert ref[1][1] / ref[1][0] == pytest.approx(1.235 / 3.3 * 4096, abs=8)
    assert ref[0][1] / ref[0][0] == pytest.approx(2.5 / 3.3 * 4096, abs=16)


def test_a_walk_of_a_sound_board_sees_each_driven_pin(nominal: Table) -> None:
    """The driven pin reads as driven in every step of its own."""
    steps = nominal.readings(1)["GPIO-WALK"]["steps"]
    for place in range(len(SHEET.tests["GPIO-WALK"].parameters["ports"])):
        assert steps[2 + 2 * place][1] >> place & 1 == 1
        assert steps[3 + 2 * place][1] >> place & 1 == 0


def test_a_bridge_between_two_pins_changes_the_walk(nominal: Table, tmp_path_factory: pytest.TempPathFactory) -> None:
    """A bridged pin follows its neighbour where it should follow its pull."""
    sound = nominal.readings(1)["GPIO-WALK"]["steps"]
    with table(tmp_path_factory.mktemp("bridged"), None, "GP0-GP1=bridge") as bridged:
        assert bridged.readings(1)["GPIO-WALK"]["steps"] != sound


@pytest.mark.parametrize("fault", ["R17=100k", "J4.2=bent", "J4.1=bent", "J4.3=bent"])
def test_a_fault_at_header_s1_shows_in_its_test_and_in_no_other(tmp_path: Path, fault: str) -> None:
    """One broken part makes one test fail."""
    with table(tmp_path, None, fault) as broken:
        broken.person.fit_plug()
        failing = {
            test
            for (test, name), value in broken.quantities(2).items()
            for q in SHEET.tests[test].quantities
            if q.name == name and not q.low <= value <= q.high
        }
    assert failing == {"SNS-S1"}


def test_the_operator_counts_the_blinks(nominal: Table) -> None:
    """Three asked for, three seen."""
    assert nominal.person.count_blinks(lambda: void(nominal.call("bench_call.blink('lamp', 3)"))) == "3"


def test_the_operator_sees_nothing_when_the_lamp_is_open(tmp_path: Path) -> None:
    """The program blinks all the same; the person is not fooled."""
    with table(tmp_path, None, "D6=open") as dark:
        assert dark.person.count_blinks(lambda: void(dark.call("bench_call.blink('lamp', 3)"))) == "0"


def test_a_part_over_serial_is_signed_with_the_run_key(nominal: Table) -> None:
    """Header, signature, and what the head says of board, agent and plan."""
    nominal.person.fit_plug()
    raw = nominal.token("bench_call.part(2, 'serial')")
    token = split(raw)
    assert str(token.key) == f"r.{RUN}"
    signed, _, signature = raw.rpartition(b".")
    assert b64(signature) == hmac.new(KEY, signed, hashlib.sha256).digest()
    said = json.loads(token.payload)
    release = agent_release.current()
    assert said["agent"] == {"version": release.version, "hash": release.hash}
    assert (said["serial"], said["module"], said["design"], said["plan"]) == (SERIAL, MODULE, SHEET.name, PLAN.hash)
    assert (said["run"], said["nonce"], said["part"]) == (RUN, CONTEXT["nonce"], 2)
    assert (said["epoch"], said["boot"], said["seen"]) == (1, 1, {"plug": PLUG})


def test_seq_counts_what_a_board_says_in_one_boot(nominal: Table) -> None:
    """And without a plug there is nothing seen."""
    first, second = (json.loads(split(nominal.token("bench_call.part(1, 'serial')")).payload) for _ in range(2))
    assert (first["boot"], first["seq"], second["seq"]) == (1, 1, 2)
    assert "seen" not in first


def test_every_start_is_counted(tmp_path: Path) -> None:
    """main.py counts it in the flash, and a board can be switched off and on again."""
    interpreter()
    board = VirtualBoard(SHEET.parts, SHEET.conditions, SHEET.fixtures, None, MODULE, SERIAL, tmp_path)
    for boot in (1, 2, 3):
        board.start()
        assert json.loads((tmp_path / "state.json").read_text()) == {"serial": SERIAL, "epoch": 1, "boot": boot}
        board.stop()
    board.close()


def test_a_module_without_supply_stays_silent(tmp_path: Path) -> None:
    """Nothing runs where nothing is plugged in."""
    board = VirtualBoard(SHEET.parts, SHEET.conditions, SHEET.fixtures, None, MODULE, SERIAL, tmp_path)
    board.hands.detach("usb")
    interpreter()
    with pytest.raises(BoardSilent, match="cannot run"):
        board.start()
    board.close()


def test_a_broken_state_file_does_not_keep_the_board_from_starting(tmp_path: Path) -> None:
    """The prompt comes all the same, and the enables are low."""
    interpreter()
    board = VirtualBoard(SHEET.parts, SHEET.conditions, SHEET.fixtures, None, MODULE, SERIAL, tmp_path)
    board.prepare()
    (tmp_path / "state.json").write_text("{")
    (tmp_path / "lib/benchworthy_agent/state.py").write_text("broken(")
    with board:
        assert board.hands.meter("ENA") == pytest.approx(0, abs=0.01)
        assert board.hands.meter("ENB") == pytest.approx(0, abs=0.01)


def test_a_person_at_the_console_and_a_virtual_one_do_the_same_things(nominal: Table) -> None:
    """The bench drives either by the same names."""
    wanted = {name for name in vars(Operator) if not name.startswith("_")}
    assert wanted <= {name for name in dir(nominal.person) if not name.startswith("_")}
    assert nominal.person.scan_label() == SERIAL


def test_a_token_is_kept_until_its_receipt_is_right(nominal: Table) -> None:
    """A receipt under another key drops nothing; the right one does, once."""
    token = nominal.token("bench_call.part(1, 'serial')")
    wrong, right = receipt_for(token, key=b"x" * 32), receipt_for(token)
    assert nominal.done(f"bench_call.receipt({wrong!r})")["verdict"] is None
    assert nominal.token("bench_call.again('serial')") == token
    said = nominal.done(f"bench_call.receipt({right!r})")
    assert said == {"part": 1, "report": digest(token), "verdict": "accepted", "error": None}
    assert nominal.done("bench_call.again('serial', 1)")["error"] == "nothing kept"


def test_a_field_report_names_the_board_and_no_run(nominal: Table) -> None:
    """Signed with the field key that it is given."""
    field_key = b"f" * 32
    raw = nominal.token(f"bench_call.field_report('[\"PWR-V5\"]', {field_key.hex()!r}, 'serial')")
    token = split(raw)
    assert str(token.key) == f"f.{SERIAL}.1"
    signed, _, signature = raw.rpartition(b".")
    assert b64(signature) == hmac.new(field_key, signed, hashlib.sha256).digest()
    said = json.loads(token.payload)
    assert [reading["test"] for reading in said["readings"]] == ["PWR-V5"]
    assert not {"run", "nonce", "part"} & set(said)


def test_an_error_in_one_check_keeps_the_others_on_the_board(nominal: Table) -> None:
    """A test that asks for a port that is not there is an error; its neighbours are measured."""
    plan = json.loads(PLAN.text)
    plan["parts"][1][1]["a"]["steps"][0]["read"] = "nowhere"
    nominal.begin(plan=json.dumps(plan))
    readings = nominal.readings(2)
    assert "KeyError" in readings["PWR-V5"]["error"]
    assert sum("steps" in reading for reading in readings.values()) == len(readings) - 1


def test_a_part_that_is_not_in_the_plan_is_an_error_line(nominal: Table) -> None:
    """The bench gets its closing line whatever happens."""
    said = nominal.done("bench_call.part(9, 'serial')")
    assert said["part"] == 9 and "IndexError" in said["error"]


def test_the_same_seed_gives_the_same_readings(tmp_path: Path) -> None:
    """Another seed gives others: parts and converter are drawn from it."""
    seen = []
    for name, seed in (("a", 5), ("b", 5), ("c", 6)):
        with table(tmp_path / name, seed) as drawn:
            drawn.person.fit_plug()
            seen.append(drawn.readings(2))
    assert seen[0] == seen[1] != seen[2]


def test_a_plug_behind_a_bent_pin_is_not_identified(tmp_path: Path) -> None:
    """Its memory needs both bus lines and the supply."""
    with table(tmp_path, None, "J3.3=bent") as bent:
        bent.person.fit_plug()
        assert "seen" not in json.loads(split(bent.token("bench_call.part(2, 'serial')")).payload)


def test_an_hour_of_board_time_takes_no_real_time(nominal: Table) -> None:
    """Sleeping is virtual, and ticks tell it."""
    start = time.monotonic()
    code = "import time\nt = time.ticks_ms()\ntime.sleep(3600)\nprint(time.ticks_diff(time.ticks_ms(), t))"
    assert int(nominal.wire.exec(code)) == pytest.approx(3_600_000, abs=2)
    assert time.monotonic() - start < 5


def void(_: object) -> None:
    """Drops a result where a callable must give none."""


@contextmanager
def listener(port: int, answer: Callable[[bytes], str | None]) -> Iterator[list[bytes]]:
    """Takes reports from the broker and answers each by what `answer` gives."""
    taken: list[bytes] = []
    subscribed = threading.Event()
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id="listener")
    client.username_pw_set(*LISTENER)
    client.on_subscribe = lambda *_: subscribed.set()

    def on_message(client: paho.Client, _: object, got: paho.MQTTMessage) -> None:
        taken.append(got.payload)
        receipt = answer(got.payload)
        if receipt is not None:
            client.publish(got.topic.replace("/report", "/receipt"), receipt, qos=1)

    client.on_message = on_message
    client.connect("127.0.0.1", port)
    client.subscribe(f"benchworthy/v1/{SITE}/+/report", qos=1)
    client.loop_start()
    try:
        assert subscribed.wait(10)
        yield taken
    finally:
        client.disconnect()
        client.loop_stop()


def test_a_part_by_mqtt_is_dropped_on_its_receipt(nominal: Table, tmp_path: Path) -> None:
    """Through a real broker with the project's access list, within the call."""
    with running_mosquitto(tmp_path, {SERIAL: "board-secret"}) as broker, listener(broker.port, receipt_for) as taken:
        access = {"host": "127.0.0.1", "port": broker.port, "user": SERIAL, "password": "board-secret", "site": SITE}
        nominal.begin(mqtt=access)
        said = nominal.done("bench_call.part(1, 'mqtt')")
        assert said == {"part": 1, "report": digest(taken[0]), "verdict": "accepted", "error": None}
        assert nominal.done("bench_call.again('mqtt', 1)")["error"] == "nothing kept"


def test_a_part_whose_broker_is_away_is_kept_and_sent_by_the_wire(nominal: Table) -> None:
    """The error is told, the token stays."""
    access = {"host": "127.0.0.1", "port": 1, "user": SERIAL, "password": "x", "site": SITE}
    nominal.begin(mqtt=access)
    said = nominal.done("bench_call.part(1, 'mqtt')")
    assert said["verdict"] is None and "cannot connect" in said["error"]
    assert digest(nominal.token("bench_call.again('serial')")) == said["report"]
