"""The files of the board family on real MicroPython, with a stand-in for the hardware: every procedure, call by call."""

import base64
import json
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from agent_on_micropython.at_bench import FAKE, KEY, RUN, SERIAL, AtBench, OutOfStep, at_bench, flash
from agent_on_micropython.toy import ARGUMENTS
from benchworthy.designs import agent_release
from benchworthy.designs.procedures import PROCEDURES
from benchworthy.reports.token import digest, split
from services.receipts import receipt_for
from test_procedures import MEASURING


@pytest.fixture
def board(tmp_path: Path) -> Iterator[AtBench]:
    """A board with a run begun on it."""
    with at_bench(flash(tmp_path)) as at:
        at.begin(wifi={"ssid": "space", "password": "secret"})
        at.call("import machine, time")
        yield at


def steps(board: AtBench, procedure: str, **changes: object) -> list[list[int]]:
    """The steps of one procedure, out of the report."""
    assert board.test(procedure, {**ARGUMENTS[procedure], **changes}) == {"test": "T", "kind": "steps", "text": None}
    token = board.token()
    (reading,) = json.loads(split(token).payload)["readings"]
    board.done(f"bench_call.receipt({receipt_for(token, KEY)!r})")
    found: list[list[int]] = reading["steps"]
    return found


def test_every_procedure_gives_its_steps_on_real_micropython(board: AtBench) -> None:
    """In one report, whose integers belong together."""
    for procedure in MEASURING:
        assert board.test(procedure, ARGUMENTS[procedure], test=procedure) == {"test": procedure, "kind": "steps", "text": None}
    readings = {reading["test"]: reading for reading in json.loads(split(board.token()).payload)["readings"]}
    assert sorted(readings) == MEASURING
    for procedure, reading in readings.items():
        assert len(reading["steps"]) == len(PROCEDURES[procedure].steps(ARGUMENTS[procedure]))
        for n, total, squares, least, greatest in reading["steps"]:
            assert n * least <= total <= n * greatest and n * squares >= total * total


def test_what_a_person_watches_ends_by_itself(board: AtBench) -> None:
    """Blinks, tones, turns and the finding of a board; the last without any run."""
    for procedure in ("blink", "tone", "turn"):
        stimulus = {"p": procedure, "a": ARGUMENTS[procedure]}
        assert board.done(f"bench_call.show({json.dumps(stimulus)!r})")["error"] is None
    assert "no-such" in board.done("""bench_call.show('{"p": "no-such", "a": {}}')""")["error"]


def test_find_works_on_a_board_that_knows_no_run(tmp_path: Path) -> None:
    """For half a minute of its own time, with heartbeats, and no pin but the lamp's and the sounder's is touched."""
    with at_bench(flash(tmp_path)) as at:
        at.call("from benchworthy_agent import bench_call; import machine, time; touched = set()")
        at.call("machine._hook[0] = lambda number, level: touched.add(number)")
        at.call("start = time.ticks_ms()")
        said = at.call("bench_call.find()")
        assert len([line for line in said if line.startswith("=HB= ")]) >= 25
        assert 30_000 <= int(at.call("print(time.ticks_diff(time.ticks_ms(), start))")[0]) < 33_000
        assert at.call("print(sorted(touched))") == ["[5, 7]"]


def test_the_first_conversion_after_a_change_is_thrown_away(board: AtBench) -> None:
    """It carries the charge of the channel before."""
    board.call("codes = [4095] + [100] * 4; machine.ADC.read_u16 = lambda self: codes.pop(0) << 4")
    assert steps(board, "levels", steps=[{"read": "common", "n": 4, "select": 5}]) == [[4, 400, 40000, 100, 100]]


def test_conversions_come_in_the_spacing_that_is_asked_for(board: AtBench) -> None:
    """By the board's clock, over the whole burst."""
    board.call("seen = []; machine.ADC.read_u16 = lambda self: seen.append(time.ticks_us()) or 0")
    steps(board, "levels", steps=[{"read": "common", "n": 50, "every_us": 2000}])
    first, last = board.call("print(seen[1]); print(seen[-1])")
    assert int(last) - int(first) == pytest.approx(49 * 2000, rel=0.01)


def test_the_die_is_a_channel_and_no_pin(board: AtBench) -> None:
    """Channel 4 of the converter; pin 4 is something else."""
    board.call("given = []; was = machine.ADC.__init__")
    board.call("machine.ADC.__init__ = lambda self, pin: given.append(pin) or was(self, pin)")
    steps(board, "levels", steps=[{"read": "die", "n": 2}])
    assert board.call("print(given)") == ["[4]"]


def test_a_stall_guard_ends_the_pulse_at_the_raw_code(board: AtBench) -> None:
    """They rise by 80 from one to the next, and the guard stands at 400: five are made of 64."""
    board.call("n = [-65 - 1]  # the base is read first")
    board.call("exec('def read(self):\\n n[0] += 1\\n return max(0, n[0] * 80) << 4')")
    board.call("machine.ADC.read_u16 = read")
    base, peak, _, stopped = steps(board, "stall", n=64, every_us=1000, stop=400)
    assert base == [64, 0, 0, 0, 0]
    assert peak == [5, 80 + 160 + 240 + 320 + 400, 352000, 80, 400] and stopped == [1, 1, 1, 1, 1]


def test_a_coast_counts_the_conversions_at_or_above_the_code(board: AtBench) -> None:
    """400 in the window, falling by one each; the first is thrown away."""
    board.call("n = [1000]; machine.ADC.read_u16 = lambda self: n.append(n.pop() - 1) or n[0] << 4")
    start, above = steps(board, "coast", n=400, above=901)
    assert start == [8, sum(range(991, 999)), sum(k * k for k in range(991, 999)), 991, 998]
    assert above[1] == 998 - 901 + 1


def test_servo_pulses_are_timed_and_a_missing_one_is_nought(board: AtBench) -> None:
    """Width by width, then the period."""
    w0, w1, w2, period = steps(board, "servo")
    assert [w0[1], w1[1], w2[1]] == [10_000, 15_000, 20_000]
    assert period[3] >= 20_000 and period[4] < 20_100
    board.call("machine.time_pulse_us = lambda pin, level, wait: -2")
    assert steps(board, "servo") == [[10, 0, 0, 0, 0]] * 4


def test_a_memory_that_gives_other_contents_or_does_not_answer_is_counted(board: AtBench) -> None:
    """Four readings at each speed."""
    assert [step[1] for step in steps(board, "bus_memory")] == [0, 0]
    board.call("was = machine.I2C.readfrom_mem; machine.I2C.readfrom_mem = lambda self, a, at, n: bytes(n) if at else b'x' * n")
    assert [step[1] for step in steps(board, "bus_memory")] == [4, 4]
    board.call("def gone(self, a, at, n): raise OSError(5)")
    board.call("machine.I2C.readfrom_mem = gone")
    assert [step[1] for step in steps(board, "bus_memory")] == [4, 4]


@pytest.mark.parametrize(("released_after", "clocks"), [(0, 0), (1, 1), (9, 9), (10, 10), (99, 10)])
def test_a_bus_is_freed_with_at_most_nine_clocks(board: AtBench, released_after: int, clocks: int) -> None:
    """Data stays low for so many clocks; 0 means it was not low, 10 that nine did not help."""
    board.call(f"left = [{released_after}]; was = machine.Pin.value")
    board.call("clocked = lambda: left.append(left.pop() - 1)")
    board.call("machine._hook[0] = lambda number, level: clocked() if number == 3 and machine._levels[3] == 2 else 0")
    board.call("machine.Pin.value = lambda self: int(left[0] <= 0) if self.number == 2 else was(self)")
    assert steps(board, "bus_clear") == [[1, clocks, clocks**2, clocks, clocks]]


def test_an_empty_bus_scans_as_noughts(board: AtBench) -> None:
    """Nobody answers, and that is a reading."""
    board.call("machine.I2C.scan = lambda self: []")
    assert [step[1] for step in steps(board, "bus_scan")] == [0, 0, 0]
    board.call("machine.I2C.scan = lambda self: list(range(8, 120))")
    assert [step[1] for step in steps(board, "bus_scan")] == [112, 8, 119]


def test_a_port_without_a_pulse_timer_says_so(board: AtBench) -> None:
    """The block that would time the rise is absent on this interpreter, as on every one that can be run here."""
    board.call("del machine.rise_ns")
    assert board.test("bus_rise", ARGUMENTS["bus_rise"]) == {
        "test": "T", "kind": "not_run", "text": "no pulse timer on this port",
    }  # fmt: skip


def test_presses_are_told_from_bounce(board: AtBench) -> None:
    """Five presses of 100 ms; the third bounces for 7 ms in eight edges, and every release bounces too."""
    edges = []
    for press in range(5):
        at = 50_000 + press * 300_000
        bounce = [at + k * 875 for k in range(9)] if press == 2 else [at]
        edges += [(us, place % 2) for place, us in enumerate(bounce)]
        edges += [(at + 100_000, 1), (at + 100_300, 0), (at + 100_900, 1)]
    plan_presses(board, edges)
    bounce, presses = steps(board, "presses")
    assert presses[1] == 5 and bounce[0] == 5
    assert bounce[4] == pytest.approx(7000, abs=100) and bounce[3] <= 100


def test_a_key_that_nobody_presses_gives_no_press_and_one_nought(board: AtBench) -> None:
    """After the longest wait."""
    assert steps(board, "presses") == [[1, 0, 0, 0, 0], [1, 0, 0, 0, 0]]


def plan_presses(board: AtBench, edges: list[tuple[int, int]]) -> None:
    board.call(f"edges = {edges!r}")
    board.call(
        "machine.Pin.irq = lambda pin, handler=None, trigger=0, hard=False: handler and time.timers.extend("
        "[[time.ticks_us() + us, lambda _, level=level: machine._set(pin.number, level) or handler(pin)] for us, level in edges])"
    )


def test_a_pull_on_a_converter_port_is_set_after_the_converter_and_taken_off_by_it(board: AtBench) -> None:
    """Opening a converter takes its pin's pulls away: before reading that must not happen, after it it must."""
    board.call("done = []; was = machine.ADC.__init__; drive = machine.Pin.init")
    board.call("machine.ADC.__init__ = lambda self, pin: done.append('open') or was(self, pin)")
    board.call("new = lambda s, m, p, v: done.append((s.number, p)) or drive(s, m, p, v)")
    board.call("machine.Pin.init = lambda s, m=0, p=None, v=None, value=None: new(s, m, p, v if value is None else value)")
    board.call("machine.ADC.read_u16 = lambda self: done.append('read') or 0")
    steps(board, "levels", steps=[{"read": "s1", "n": 1, "pull": {"s1": "up"}}])
    (found,) = board.call("print([each for each in done if each in ('open', 'read') or each[0] == 27])")
    assert found == "['open', (27, 1), 'read', 'read', 'open']"


def test_the_flash_test_leaves_nothing_behind(board: AtBench, tmp_path: Path) -> None:
    """And counts bytes that come back different."""
    before = sorted(path.name for path in tmp_path.iterdir())
    free, wrong = steps(board, "flash")
    assert free[1] > 0 and wrong[1] == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == before


def test_a_restart_on_the_way_shows_in_the_boot_counter(board: AtBench, tmp_path: Path) -> None:
    """The counter now, less what it was when the run began."""
    assert steps(board, "boots") == [[1, 0, 0, 0, 0]]
    flash(tmp_path, boot=9)
    assert steps(board, "boots") == [[1, 2, 4, 2, 2]]


def test_the_head_names_board_module_plug_program_and_plan(board: AtBench, tmp_path: Path) -> None:
    """The agent's hash is the one that the service computes from its release."""
    board.test("idle", ARGUMENTS["idle"])
    token = board.token("bench_call.close(3, 'serial')")
    said = json.loads(split(token).payload)
    release = agent_release.current()
    assert said["agent"] == {"version": release.version, "hash": release.hash}
    assert (said["serial"], said["module"], said["design"]) == (SERIAL, "e661640843123456", "tarn-b")
    assert (said["run"], said["part"]) == (RUN, 3)
    assert (said["boot"], said["epoch"], said["seq"], said["seen"]) == (7, 1, 1, {"plug": "TP4-0007"})
    assert "MicroPython" in said["firmware"] and len(said["firmware"]) <= 64


def test_a_field_report_has_no_run_and_the_boards_own_key(board: AtBench) -> None:
    """Number 0, under f.<serial>.<epoch>."""
    board.test("idle", ARGUMENTS["idle"])
    token = board.token(f"bench_call.close(0, 'serial', {'cd' * 32!r})")
    said = json.loads(split(token).payload)
    assert str(split(token).key) == f"f.{SERIAL}.1" and not {"run", "nonce", "part"} & set(said)


def test_a_token_is_kept_until_its_receipt_is_right_and_later_parts_do_not_disturb_it(board: AtBench) -> None:
    """Two parts without receipt; the receipts come in the other order, and a wrong one drops nothing."""
    board.test("idle", ARGUMENTS["idle"], test="ONE")
    first = board.token("bench_call.close(1, 'serial')")
    board.test("boots", {}, test="TWO")
    second = board.token("bench_call.close(2, 'serial')")
    wrong = receipt_for(first, b"another key")
    assert board.done(f"bench_call.receipt({wrong!r})") == {
        "part": None, "report": None, "verdict": None, "error": "no token for this receipt",
    }  # fmt: skip
    assert board.token("bench_call.again('serial', 1)") == first
    for part, token in ((2, second), (1, first)):
        said = board.done(f"bench_call.receipt({receipt_for(token, KEY)!r})")
        assert said == {"part": part, "report": digest(token), "verdict": "accepted", "error": None}
    assert board.done("bench_call.again('serial', 1)")["error"] == "nothing kept"
    assert [json.loads(split(token).payload)["seq"] for token in (first, second)] == [1, 2]


def test_what_does_not_fit_into_a_part_is_told_in_its_place(board: AtBench) -> None:
    """The sheet's parts fit; one that did not would lose that reading and no other."""
    wide = {"steps": [{"read": "common", "n": 500, "select": 1}] * 20}
    said = [board.test("levels", wide, test=f"W{k}") for k in range(5)]
    assert [each["kind"] for each in said].count("error") >= 1
    assert "no room left" in said[-1]["text"]
    readings = json.loads(split(board.token()).payload)["readings"]
    assert [reading["test"] for reading in readings] == [f"W{k}" for k in range(5)]


def test_a_broker_that_cannot_be_reached_leaves_the_token_for_the_wire(board: AtBench) -> None:
    """The error is told, the token stays."""
    access = {"site": "trial", "host": "127.0.0.1", "port": 1, "user": SERIAL, "password": "x"}
    board.begin(mqtt=access)
    board.test("idle", ARGUMENTS["idle"])
    said = board.done("bench_call.close(1, 'mqtt')")
    assert said["verdict"] is None and "cannot connect" in said["error"]
    assert digest(board.token("bench_call.again('serial')")) == said["report"]


def test_a_part_without_a_reading_is_no_report(board: AtBench) -> None:
    """Also right after another part was closed."""
    board.test("idle", ARGUMENTS["idle"])
    board.token("bench_call.close(1, 'serial')")
    assert board.done("bench_call.close(2, 'serial')")["error"] == "ValueError: no readings"
    board.begin()
    assert board.done("bench_call.close(1, 'serial')")["error"] == "ValueError: no readings"


def test_a_context_without_a_broker_says_so(board: AtBench) -> None:
    board.test("idle", ARGUMENTS["idle"])
    assert "no broker" in board.done("bench_call.close(1, 'mqtt')")["error"]


def test_a_call_before_a_context_is_an_error_and_no_death(tmp_path: Path) -> None:
    """The bench sees an exception's text; the board goes on."""
    with at_bench(flash(tmp_path)) as at:
        at.call("from benchworthy_agent import bench_call")
        with pytest.raises(OutOfStep, match="=ERR="):
            at.test("idle", ARGUMENTS["idle"])
        at.begin()
        assert at.test("idle", ARGUMENTS["idle"])["kind"] == "steps"


def test_no_secret_of_a_run_is_ever_printed(board: AtBench) -> None:
    """Neither the run's key nor a password, in any call."""
    board.begin(mqtt={"site": "s", "host": "127.0.0.1", "port": 1, "user": SERIAL, "password": "broker-secret"})
    said = board.call(f"bench_call.test({json.dumps({'part': 1, 'id': 'T', 'p': 'idle', 'n': [], 'a': ARGUMENTS['idle']})!r})")
    said += board.call("bench_call.close(1, 'mqtt')") + board.call("bench_call.again('serial')")
    text = "\n".join(said)
    payload = base64.urlsafe_b64decode(text.split("=BW= ")[1].split(".")[1].split(" ")[0] + "==")
    for secret in (KEY.hex(), "broker-secret", "secret"):
        assert secret not in text and secret.encode() not in payload


def test_a_module_without_a_radio_says_so(tmp_path: Path) -> None:
    """Not run, with the reason; and an access point that does not answer is an error, not a weak signal."""
    bare = tmp_path / "bare"
    bare.mkdir()
    for name in ("machine.py", "time.py"):
        (bare / name).write_bytes((FAKE / name).read_bytes())
    with at_bench(flash(tmp_path / "flash"), machine=bare) as at:
        at.begin(wifi={"ssid": "space", "password": "secret"})
        assert at.test("radio_level", {"n": 10}) == {"test": "T", "kind": "not_run", "text": "no radio on this module"}
        at.begin(wifi=None)
        assert at.test("radio_level", {"n": 10}) == {"test": "T", "kind": "not_run", "text": "no wifi"}


def test_an_access_point_that_does_not_answer_is_an_error_and_no_weak_signal(tmp_path: Path) -> None:
    """With heartbeats between the tries, so that the bench does not give the board up."""
    with at_bench(flash(tmp_path), machine=f"{FAKE}:{FAKE}_select") as at:
        at.begin(wifi={"ssid": "space", "password": "secret"})
        at.call("import network; network.WLAN.isconnected = lambda self: False; network.WLAN.connect = lambda self, *a: None")
        line = {"part": 1, "id": "T", "p": "radio_level", "n": [], "a": {"n": 10}}
        *said, done = at.call(f"bench_call.test({json.dumps(line)!r})")
    assert '"error"' in done and "did not join" in done
    beats = [int(each[6:]) for each in said if each.startswith("=HB= ")]
    assert len(beats) >= 3 and max(b - a for a, b in pairwise(beats)) < 10_000
