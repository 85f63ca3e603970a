"""The two brokers side by side: a real mosquitto and the real process of the embedded one, for the same registry."""

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import paho.mqtt.client as paho

from benchworthy import settings, wiring
from benchworthy.keys import derive
from benchworthy.serve.demo.house import free_port
from services.mosquitto import LISTENER, Mosquitto, running_mosquitto, topic, until
from services.service import Trial, environment, trial

KINDS = ("mosquitto", "embedded")


@dataclass
class Embedded:
    """`python -m benchworthy.serve.broker` on a data directory."""

    environment: dict[str, str]
    log_file: Path
    port: int
    process: "subprocess.Popen[bytes] | None" = None

    def start(self) -> None:
        with self.log_file.open("ab") as log:
            command = [sys.executable, "-m", "benchworthy.serve.broker"]
            self.process = subprocess.Popen(command, env=self.environment, stdout=log, stderr=log)
        assert until(self._accepts, 20), self.log()

    def stop(self, how: signal.Signals = signal.SIGTERM) -> int:
        assert self.process is not None
        if self.process.poll() is None:
            self.process.send_signal(how)
        return self.process.wait(15)

    def log(self) -> str:
        return self.log_file.read_text()

    def _accepts(self) -> bool:
        assert self.process is not None
        if self.process.poll() is not None:
            return True
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0


@dataclass
class Side:
    """One of the two, with the boards of the registry and the listener's login."""

    kind: str
    broker: Mosquitto | Embedded
    trial: Trial
    boards: dict[str, str]
    listener: tuple[str, str]

    @property
    def port(self) -> int:
        return self.broker.port

    def enrol(self, body: str) -> tuple[str, str]:
        """Serial and password of a new board, which may connect at once."""
        made = self.trial.enrol(body)
        serial, password = made["serial"], made["broker_password"]
        self.boards[serial] = password
        if isinstance(self.broker, Mosquitto):
            self.broker.boards = dict(self.boards)
            self.broker.reload()
        return serial, password


def embedded_environment(data: Path) -> dict[str, str]:
    own = environment(data, None)
    return own | {"BENCHWORTHY_MQTT": "embedded", "BENCHWORTHY_MQTT_LISTEN": f"127.0.0.1:{free_port()}"}


@contextmanager
def side(kind: str, directory: Path) -> Iterator[Side]:
    """A broker of that kind with boards ONE and TWO."""
    with trial(directory / "data") as made:
        boards = {}
        for body in ("SIDE1", "SIDE2"):
            enrolled = made.enrol(body)
            boards[enrolled["serial"]] = enrolled["broker_password"]
        if kind == "mosquitto":
            with running_mosquitto(directory, boards) as broker:
                yield Side(kind, broker, made, boards, LISTENER)
            return
        own = embedded_environment(directory / "data")
        running = Embedded(own, directory / "broker.log", int(own["BENCHWORTHY_MQTT_LISTEN"].rpartition(":")[2]))
        running.start()
        try:
            read = settings.read(own)
            secret = wiring.site_secret(read)
            yield Side(kind, running, made, boards, ("listener", derive.service_password(secret, "listener", read.site)))
        finally:
            running.stop()
            assert "Traceback" not in running.log(), running.log()


class Refused(AssertionError):
    """The broker did not let this client in."""


@dataclass
class Peer:
    """A connected client and what it hears."""

    client: paho.Client
    heard: list[tuple[str, bytes]]
    granted: list[int]
    session_present: bool

    def send(self, where: str, what: bytes | str, retain: bool = False) -> None:
        self.client.publish(where, what, 1, retain).wait_for_publish(5)

    def hears(self, *expected: tuple[str, bytes], seconds: float = 5.0) -> bool:
        return until(lambda: len(self.heard) >= len(expected), seconds) and self.heard == list(expected)


@contextmanager
def peer(
    side: Side, user: str, password: str, *topics: str, clean: bool = True, name: str = "", keepalive: int = 60,
    will: tuple[str, bytes, bool] | None = None, abrupt: bool = False,
) -> Iterator[Peer]:  # fmt: skip
    """Raises Refused. `abrupt` closes the socket in the end without a word, so that the will is due."""
    heard: list[tuple[str, bytes]] = []
    answers: list[tuple[bool, bool]] = []
    granted: list[list[int]] = []
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, name or f"test-{user}-{os.getpid()}", clean_session=clean)
    if user or password:
        client.username_pw_set(user, password)
    if will is not None:
        client.will_set(will[0], will[1], 1, will[2])
    client.on_message = lambda _c, _d, message: heard.append((message.topic, message.payload))
    client.on_connect = lambda _c, _d, flags, code, _p: answers.append((code.is_failure, flags.session_present))
    client.on_subscribe = lambda _c, _d, _m, codes, _p: granted.append([code.value for code in codes])
    client.connect("127.0.0.1", side.port, keepalive)
    client.loop_start()
    try:
        assert until(lambda: bool(answers)), "no answer"
        if answers[0][0]:
            raise Refused(user)
        for number, wanted in enumerate(topics, 1):
            client.subscribe(wanted, 1)
            assert until(lambda number=number: len(granted) == number)
        yield Peer(client, heard, [code for codes in granted for code in codes], answers[0][1])
    finally:
        if abrupt:
            client.loop_stop()
            client.socket().close()
        else:
            client.disconnect()
            client.loop_stop()


__all__ = ["KINDS", "Embedded", "Peer", "Refused", "Side", "embedded_environment", "peer", "side", "topic", "until"]
