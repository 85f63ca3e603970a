"""`benchworthy demo`: the main job on virtual boards, end to end, with real parts in between."""

import argparse
import contextlib
import os
import secrets
import signal
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import FrameType

from benchworthy import house_actions, settings, wiring
from benchworthy.bench.client import Service
from benchworthy.cli.service import say
from benchworthy.keys.access import fingerprint, new_secret
from benchworthy.serve.demo.house import BrokerProcess, OwnBroker, ServiceProcess, free_port
from benchworthy.serve.demo.story import People, Stage, play

SITE = "kettlebrook"
PEOPLE = {"tester": "T4", "inspector": "I2", "desk": "D1"}


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--once", action="store_true", help="end after the story; exit 0 when every step held")
    parser.add_argument("--fault", default="R17=100k", help="what happens to the first board on loan; J4.2=bent is another")
    parser.add_argument("--mosquitto", action="store_true", help="start a mosquitto instead of the embedded broker")
    parser.add_argument("--http", type=int, default=0, help="port of the service; default a free one")


def run(options: argparse.Namespace) -> int:
    """Exit 0 when every step held."""
    started = time.monotonic()
    signal.signal(signal.SIGTERM, _leave)  # whatever was started is ended, also in the middle of the story
    with tempfile.TemporaryDirectory(prefix="benchworthy-demo-") as data, _running(Path(data), options) as (stage, secret):
        play(stage, options.fault)
        say(f"Every step held, in {time.monotonic() - started:.1f} s.")
        _where_to_look(stage, secret)
        if not options.once:
            _stay()
    return 0


@contextlib.contextmanager
def _running(data: Path, options: argparse.Namespace) -> Iterator[tuple[Stage, str]]:
    broker = BrokerProcess(data / "broker", SITE, secrets.token_urlsafe(16)) if options.mosquitto else OwnBroker()
    environment = {
        **{name: value for name, value in os.environ.items() if not name.startswith(settings.PREFIX)},
        "BENCHWORTHY_DATA": str(data),
        "BENCHWORTHY_HTTP": f"127.0.0.1:{options.http or free_port()}",
        **broker.settings,
        "BENCHWORTHY_SITE": SITE,
    }
    service = ServiceProcess(environment, data / "serve.log")
    try:
        with_broker = "a mosquitto with an access list beside it" if options.mosquitto else "its own broker (bench mode)"
        say(f"0  Start the service, web and listener, with {with_broker}")
        broker.start()
        secret = _first_token(environment)
        service.start()
        yield Stage(service.url, _people(service.url, secret), broker, data, say), secret
    finally:
        service.stop()
        broker.stop()


def _first_token(environment: dict[str, str]) -> str:
    core = wiring.build(settings.read(environment), signing=True)
    secret = new_secret(core.services.random)
    house_actions.register_token(core.services, fingerprint(secret), "coordinator", "C1", None, "C1")
    core.database.engine.dispose()
    return secret


def _people(url: str, secret: str) -> People:
    coordinator = Service(url, secret)
    created = {
        role: coordinator.post("/api/v1/tokens", {"role": role, "holder": code})["secret"] for role, code in PEOPLE.items()
    }
    return People(coordinator, *(Service(url, created[role]) for role in PEOPLE))


def _where_to_look(stage: Stage, secret: str) -> None:
    board = stage.people.desk.get("/api/v1/boards")["boards"][0]["serial"]
    say("Where to look, in another terminal (the token is a coordinator's):")
    say(f"  export BENCHWORTHY_URL={stage.url} BENCHWORTHY_TOKEN={secret}")
    for path in (f"boards/{board}/fitness", f"boards/{board}/history"):
        say(f'  curl -H "Authorization: Bearer $BENCHWORTHY_TOKEN" $BENCHWORTHY_URL/api/v1/{path}')
    say("  curl $BENCHWORTHY_URL/.well-known/jwks.json")


def _leave(_: int, __: FrameType | None) -> None:
    raise SystemExit(143)  # told to end before the story did; staying up afterwards ends with 0


def _stay() -> None:
    say("The service stays up; Ctrl-C ends it and removes its data.")
    with contextlib.suppress(KeyboardInterrupt, SystemExit):
        threading.Event().wait()
