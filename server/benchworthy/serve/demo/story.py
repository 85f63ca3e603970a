"""The main job once through, step by step; every step says what it found, and the first that does not hold ends it."""

import re
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import requests

from benchworthy.bench import portlist
from benchworthy.bench.client import Service, ServiceSaid
from benchworthy.bench.reach import Reach
from benchworthy.bench.session import run_board
from benchworthy.designs import agent_release, catalogue
from benchworthy.designs.plan import plan_for
from benchworthy.errors import BenchworthyError
from benchworthy.intake import label
from benchworthy.keys.bench_key import BenchKey
from benchworthy.serve.demo.house import BrokerProcess, OwnBroker
from benchworthy.virtual.board import VirtualBoard
from benchworthy.virtual.operator import VirtualOperator

DESIGN, PLUG, MODULE = "tarn-b", "TP4-0007", "e6614103e7452d31"
KEEPER_MODULE = "e6614103e7459a99"
FIXTURES = (f"TP-4:{PLUG}", "L-2:L2-0003", "M-1:M1-0001", "meter:MM-02", "cable:UC-11")
NETWORK = {"ssid": "Kettlebrook", "password": "of-the-demonstration"}  # goes into the board's RAM and nowhere else
ROUTINE = re.compile(r"[A-Z0-9-]+: (steps|text|items|answered)")  # the table of results says the same
INSPECTED = ("joints", "bridges", "polarity marks", "header pins", "cracks", "residue", "feet and jumpers")


class StepFailed(BenchworthyError):
    """A step of the demonstration did not hold."""

    code = "error"
    advice = "The logs lie in the data directory."


@dataclass(frozen=True, slots=True)
class People:
    """Who acts: each with a token of their own; staff codes, no names."""

    coordinator: Service
    tester: Service
    inspector: Service
    desk: Service


@dataclass(slots=True)
class Stage:
    """Everything the story plays on."""

    url: str
    people: People
    broker: BrokerProcess | OwnBroker
    folder: Path
    say: Callable[[str], None]

    def expect(self, holds: bool, what: str) -> None:
        """Raises StepFailed."""
        if not holds:
            raise StepFailed(f"This did not hold: {what}.")
        self.say(f"  ok  {what}")


def play(stage: Stage, fault: str) -> None:
    """Play the story. `fault` is injected while the first board is on loan. Raises StepFailed, BenchworthyError."""
    bench = BenchKey.load_or_create(stage.folder / "bench.jwk")
    stage.people.coordinator.post("/api/v1/benches", {"name": "Bench 1", "jwk": dict(bench.public_jwk)})
    first, second, keeper = label.complete("KM0001"), label.complete("KM0002"), label.complete("KM0900")
    _morning(stage, bench, keeper)
    stage.say(f"2  Enrol {first}, a virtual Tarn rev B")
    _enrol(stage, first)
    with _virtual_board(stage.folder / "flash-1", first) as board:
        certificate = _certify(stage, board, bench, first)
        _verify(stage, certificate)
        _field_evidence(stage, bench, second)
        _lend_and_return(stage, board, bench, first, fault)


def _enrol(stage: Stage, serial: str) -> dict[str, Any]:
    body = {"serial": serial, "design": DESIGN, "virtual": True, "kit_lot": "LOT-7", "inventory_ref": f"KB/{serial}"}
    enrolled = stage.people.tester.post("/api/v1/boards", body)
    stage.broker.admit(serial, enrolled["broker_password"])
    fitness = stage.people.desk.get(f"/api/v1/boards/{serial}/fitness")
    stage.expect(not fitness["fit"] and fitness["answer"] == "no evidence", "a new board is neither fit nor failed: no evidence")
    return enrolled


def _morning(stage: Stage, bench: BenchKey, keeper: str) -> None:
    """Fixtures and a reference board come onto the record, and the fixtures are held against it before anything rests on them."""
    stage.say(f"1  The morning: {len(FIXTURES)} fixtures, and {keeper} as the reference board that checks them")
    people = stage.people
    for kind, _, serial in (fixture.partition(":") for fixture in FIXTURES):
        people.tester.post("/api/v1/fixtures", {"kind": kind, "serial": serial})
    _enrol(stage, keeper)
    with _virtual_board(stage.folder / "flash-9", keeper, KEEPER_MODULE, 9) as board:
        record = _inspected_run(stage, board, bench, keeper, "full")
        stage.expect(record["complete"] and record["verdict"] == "in limits", "its record: a complete full run in limits")
        body = {"reason": "known good; the first of its design", "bootstrap": True}
        unchecked = people.coordinator.post(f"/api/v1/boards/{keeper}/reference", body)["unchecked"]
        stage.say(f"      said on its record: nobody had checked {', '.join(unchecked)}")
        today = _inspected_run(stage, board, bench, keeper, "plug")
    for kind, _, serial in (fixture.partition(":") for fixture in FIXTURES):
        path, until = f"/api/v1/fixtures/{serial}/checks", (datetime.now(UTC) + timedelta(days=365)).isoformat()
        if kind in ("meter", "cable"):
            people.coordinator.post(path, {"calibrated_until": until, "seen": "of the demonstration; nothing was calibrated"})
            continue
        check = people.tester.post(path, {"run": today["run"]})["check"]
        stage.expect(check["good"], check["told"])
    vouched = {"good", "good for virtual boards"}
    stage.expect(_states(stage) <= vouched, "every fixture is vouched for, by the simulation for virtual boards only")


def _states(stage: Stage) -> set[str]:
    return {fixture["state"] for fixture in stage.people.desk.get("/api/v1/fixtures")["fixtures"]}


def _inspected_run(stage: Stage, board: VirtualBoard, bench: BenchKey, serial: str, test_set: str) -> dict[str, Any]:
    """A run of the reference board with the inspector's answers where the set asks for them, closed."""
    run = _bench_run(stage, board, bench, serial, test_set, KEEPER_MODULE)["run"]
    if any(need["test"] == "VIS-INSP" for need in stage.people.tester.get_run(run)["still_needed"]):
        stage.people.inspector.answer(run, {"answers": [{"test": "VIS-INSP", "items": dict.fromkeys(INSPECTED, "good")}]})
    return stage.people.tester.close(run)


def _virtual_board(flash: Path, serial: str, module: str = MODULE, seed: int = 1) -> VirtualBoard:
    sheet = catalogue.find(DESIGN)
    ports = _ports(flash)
    for folder in (flash, ports):
        folder.mkdir(parents=True, exist_ok=True)
    board = VirtualBoard(sheet.parts, sheet.conditions, sheet.fixtures, seed, module, serial, flash, PLUG, ports_dir=ports)
    board.hands.attach("jack")
    return board  # entering it starts it


def _ports(flash: Path) -> Path:
    """Where the board's port appears and disappears, as its cable is pulled and put back."""
    return flash.parent / "ports"


def _bench_run(
    stage: Stage, board: VirtualBoard, bench: BenchKey, serial: str, test_set: str, module: str = MODULE
) -> dict[str, Any]:
    operator = VirtualOperator(board.perceived, board.hands, label=serial)
    ports = _ports(stage.folder / "flash-1")
    reach = Reach(str(ports / module), lambda: portlist.listed(ports))

    def tell(text: str) -> None:
        if not ROUTINE.fullmatch(text):
            stage.say(f"      {text}")

    return run_board(reach, stage.people.tester, bench, operator, serial, test_set, "mqtt", FIXTURES, wifi=NETWORK, say=tell)


def _certify(stage: Stage, board: VirtualBoard, bench: BenchKey, serial: str) -> dict[str, Any]:
    stage.say("3  One run of the full set: board by MQTT, bench by a pty with mpremote, operator by what the circuit shows")
    done = _bench_run(stage, board, bench, serial, "full")
    run = done["run"]
    waiting = stage.people.tester.get_run(run)["still_needed"]
    stage.expect(
        [n["code"] for n in waiting] == ["answer-missing"], "the run still needs the inspector's answers and nothing else"
    )
    items = dict.fromkeys(INSPECTED, "good")
    stage.people.inspector.answer(run, {"answers": [{"test": "VIS-INSP", "items": items}]})
    closed = stage.people.tester.close(run)
    _table(stage, closed)
    stage.expect(closed["complete"] and closed["verdict"] == "in limits", "the run is complete and in limits")
    ways = {(a["author"], a["arrival"]) for a in closed["arrived"]}
    stage.expect(
        ("board", "mqtt") in ways and ("bench", "http") in ways, "the board's parts came over MQTT, the bench's over HTTP"
    )
    stage.say("4  Certify")
    certificate = stage.people.tester.post(f"/api/v1/boards/{serial}/certificates", {"run": run})
    stage.say(f"      {certificate['id']}; {certificate['coverage']}")
    stage.expect(certificate["virtual"] is True, f"certified until {certificate['valid_until'][:10]}, marked VIRTUAL")
    fitness = stage.people.desk.get(f"/api/v1/boards/{serial}/fitness")
    stage.expect(fitness["fit"] is True, f"{serial} is fit until {fitness['until'][:10]}")
    return certificate


def _table(stage: Stage, run: dict[str, Any]) -> None:
    for test in run["tests"]:
        first = test["quantities"][0] if test["quantities"] else None
        value = f"{first['value']:>10.4g} {first['unit']:<14} U {first['expanded']:.2g}" if first else ""
        stage.say(f"      {test['test']:<11} {test['verdict']:<10} {value}")
        if test["sentence"]:
            stage.say(f"                  {test['sentence']}")
    for need in run["still_needed"]:
        stage.say(f"      still needed: {need['what']}")


def _verify(stage: Stage, certificate: dict[str, Any]) -> None:

    stage.say("5  Verify offline")
    files = {name: stage.folder / name for name in ("certificate.jws", "keys.json", "status.jws")}
    files["certificate.jws"].write_text(certificate["token"])
    files["keys.json"].write_text(requests.get(f"{stage.url}/.well-known/jwks.json", timeout=10).text)
    files["status.jws"].write_text(requests.get(f"{stage.url}/api/v1/status-list", timeout=10).text)
    base = [str(files["certificate.jws"]), "--keys", str(files["keys.json"])]
    stage.expect(_command(stage, "verify", *base) == 3, "without a status list: exit 3, signature good, status unknown")
    listed = _command(stage, "verify", *base, "--status-list", str(files["status.jws"]))
    stage.expect(listed == 0, "with a fresh status list: exit 0, in force")


def _command(stage: Stage, *words: str) -> int:
    done = subprocess.run(
        [sys.executable, "-m", "benchworthy.cli.main", *words], capture_output=True, text=True, timeout=60, check=False
    )
    stage.say(f"      {(done.stdout or done.stderr).strip()}")
    return done.returncode


def _field_evidence(stage: Stage, bench: BenchKey, serial: str) -> None:
    stage.say(f"6  {serial}: another process holds its field key and sends perfect values over HTTP")
    enrolled = _enrol(stage, serial)
    plan = plan_for(catalogue.find(DESIGN), "field").hash
    words = [stage.url, serial, enrolled["field_key"], plan, agent_release.current().hash]
    stage.expect(_forge([*words, "1"]).startswith("201"), "kept as field evidence")
    refused = _refused(stage, serial)
    stage.expect(any(u["code"] == "no-bench-evidence" for u in refused), "certificate refused: no-bench-evidence")
    opened = stage.people.tester.open_run(serial, "full", bench.thumbprint, FIXTURES, serial)
    stage.expect(
        _forge([*words, "2", opened["run"], opened["nonce"]]).startswith("201"), "a part signed by the field key is kept"
    )
    run = stage.people.tester.close(opened["run"])
    stage.expect(not run["complete"] and not run["arrived"], "and does not count in the run, which stays incomplete")
    stage.expect(bool(_refused(stage, serial)), "no certificate for it either")


def _forge(words: Sequence[str]) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "benchworthy.serve.demo.forger", *words], capture_output=True, text=True, timeout=60, check=True
    )
    return done.stdout


def _refused(stage: Stage, serial: str) -> list[dict[str, Any]]:
    try:
        stage.people.tester.post(f"/api/v1/boards/{serial}/certificates", {})
    except ServiceSaid as said:
        stage.say(f"      {said.detail[:150]}")
        return list(said.facts.get("unmet", []))
    raise StepFailed(f"{serial} was certified without evidence.")


def _lend_and_return(stage: Stage, board: VirtualBoard, bench: BenchKey, serial: str, fault: str) -> None:
    stage.say(f"7  Lend {serial}, take it back, check it in")
    due = (datetime.now(UTC) + timedelta(days=14)).isoformat()
    counted = dict(catalogue.find(DESIGN).accessories)
    stage.people.desk.post(f"/api/v1/boards/{serial}/loans", {"borrower": "B-204", "due": due, "accessories": counted})
    stage.expect(stage.people.desk.get(f"/api/v1/boards/{serial}/fitness")["state"] == "on loan", "lent to B-204")
    board.inject(fault)
    stage.say(f"      (while away the circuit changed: {fault}; nothing but the circuit knows)")
    back = stage.people.desk.post(f"/api/v1/boards/{serial}/returns", {"scanned": serial, "accessories": counted})
    stage.expect(back["set"] == "full", f"back, and to be looked at with the set `{back['set']}`: {' '.join(back['reasons'])}")
    stage.say("      The set `plug` is made first: what it finds out counts, whatever set was asked for")
    done = _bench_run(stage, board, bench, serial, "plug")
    stage.people.tester.close(done["run"])
    settled = stage.people.desk.post(f"/api/v1/boards/{serial}/check-ins", {"run": done["run"]})
    stage.expect(settled["outcome"] == "held", "held, for this reason:")
    stage.say(f"      {settled['sentence']}")
    fitness = stage.people.desk.get(f"/api/v1/boards/{serial}/fitness")
    stage.expect(fitness["state"] == "held" and not fitness["fit"], "not fit; the certificate has lapsed")
    _still_offline(stage)


def _still_offline(stage: Stage) -> None:

    (stage.folder / "status.jws").write_text(requests.get(f"{stage.url}/api/v1/status-list", timeout=10).text)
    words = [str(stage.folder / "certificate.jws"), "--keys", str(stage.folder / "keys.json")]
    code = _command(stage, "verify", *words, "--status-list", str(stage.folder / "status.jws"))
    stage.expect(code == 4, "verified with today's status list: exit 4, lapsed")


__all__ = ["People", "Stage", "play"]
