"""A real mosquitto on a port of its own, with the files that the project writes for it."""

import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as paho

from benchworthy.intake import broker_files
from services import absent
from services.certificates import Signed

SITE = "trial"
LISTENER = ("listener", "listener-secret")
_PATIENCE = 10.0


@dataclass(slots=True)
class Mosquitto:
    """A running broker. `boards` maps user name to password, `port` is on 127.0.0.1.

    For each certificate in `tls` it also listens on the port of that name in `tls_ports`.
    """

    directory: Path
    boards: dict[str, str]
    port: int = 0
    tls: Mapping[str, Signed] = field(default_factory=dict)
    tls_ports: dict[str, int] = field(default_factory=dict)
    process: subprocess.Popen[bytes] = field(init=False)

    def write_files(self) -> Path:
        # A broker started by root changes to another account, which could not read these files.
        run_as = "root" if os.geteuid() == 0 else ""
        made = broker_files.write(self.directory, self.port, SITE, self.boards, LISTENER, os.urandom, run_as)
        with made.open("a") as configuration:
            for name, signed in self.tls.items():
                configuration.write(self._tls_listener(name, signed))
        return made

    def _tls_listener(self, name: str, signed: Signed) -> str:
        certificate, key = self.directory / f"{name}.crt", self.directory / f"{name}.key"
        certificate.write_bytes(signed.pem)
        key.write_bytes(signed.key_pem)
        port = self.tls_ports.setdefault(name, _free_port())
        return f"\nlistener {port} 127.0.0.1\ncertfile {certificate}\nkeyfile {key}\n"

    def log(self) -> str:
        return (self.directory / "log").read_text()

    def reload(self) -> None:
        """Write the files anew for the present `boards` and have the running broker read them."""
        self.write_files()
        before = self.log().count("Reloading config")
        os.kill(self.process.pid, signal.SIGHUP)
        _until(lambda: self.log().count("Reloading config") > before, self)
        time.sleep(0.2)  # the line is written before the files are read

    def start(self) -> None:
        self.port = _free_port()
        self._start_on_port(self.write_files())

    def _start_on_port(self, configuration: Path) -> None:
        program = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
        if program is None:
            absent("no mosquitto: apt-get install mosquitto")
        with (self.directory / "log").open("ab") as log:
            self.process = subprocess.Popen([program, "-c", str(configuration)], stdout=log, stderr=log)
        _until(self._accepts, self)

    def kill_and_start(self) -> None:
        """SIGKILL, and the same broker again on the same port; what it had not written to its disk is lost."""
        self.process.kill()
        self.process.wait(_PATIENCE)
        self._start_on_port(self.write_files())

    def stop(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(_PATIENCE)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(_PATIENCE)

    def _accepts(self) -> bool:
        with closing(socket.socket()) as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0


@contextmanager
def running_mosquitto(directory: Path, boards: Mapping[str, str], tls: Mapping[str, Signed] | None = None) -> Iterator[Mosquitto]:
    """A broker that knows `boards` and LISTENER, for as long as the block lasts."""
    broker = Mosquitto(directory / "broker", dict(boards), tls=tls or {})
    broker.directory.mkdir(parents=True, exist_ok=True)
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()


def topic(serial: str, leaf: str) -> str:
    return f"benchworthy/v1/{SITE}/{serial}/{leaf}"


@contextmanager
def listener(broker: Mosquitto, answer: Callable | None = None) -> Iterator[list]:
    """The service's side: gives the (topic, payload, retained) it hears; `answer` acts on each."""
    heard: list = []
    granted: list[int] = []
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, "listener")
    client.username_pw_set(*LISTENER)

    def take(_client, _data, message):
        # Heard comes last: who waits for it may disconnect at once, and the answer must be on its way.
        if answer is not None:
            answer(client, message)
        heard.append((message.topic, message.payload, message.retain))

    client.on_message = take
    client.on_subscribe = lambda *_: granted.append(1)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    client.subscribe([(topic("+", "report"), 1), (topic("+", "state"), 1)])
    try:
        assert until(lambda: bool(granted))
        yield heard
    finally:
        # A broker whose answer meets a closed socket drops what it has not read yet: have it read our last answers.
        client.subscribe(topic("nobody", "state"), 1)
        until(lambda: len(granted) > 1)
        client.disconnect()
        client.loop_stop()


def until(condition: Callable[[], bool], seconds: float = 5.0) -> bool:
    deadline = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.01)
    return True


def _free_port() -> int:
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def _until(condition: Callable[[], bool], broker: Mosquitto) -> None:
    deadline = time.monotonic() + _PATIENCE
    while not condition():
        if time.monotonic() > deadline or broker.process.poll() is not None:
            broker.stop()
            raise AssertionError(f"mosquitto did not get there: {broker.log()}")
        time.sleep(0.02)
