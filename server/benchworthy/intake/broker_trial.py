"""Proves by trial what a broker lets through and what it does not. Its denials are silent, so nothing else tells.

What must not arrive is proven without waiting: the same connection then sends something that must, and brokers keep the order.
"""

import queue
import secrets
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from benchworthy.errors import ServiceUnreachable
from benchworthy.intake.topics import TRIAL

PATIENCE_SECONDS: Final = 5.0
_NOBODY: Final = "doctor-nobody"  # a serial number that no board has
_FILES: Final = "Run `benchworthy broker-files` again and have mosquitto read the files."


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing tried: whether it held, what that means, and what to do if it did not."""

    name: str
    held: bool
    means: str
    advice: str = ""


@dataclass(frozen=True, slots=True)
class Login:
    """A user and password at the broker; both empty for nobody."""

    user: str
    password: str


@dataclass(frozen=True, slots=True)
class Place:
    """The broker and the site, and what the two sides are called there."""

    host: str
    port: int
    site: str
    listener: Login
    board: Login

    def topic(self, serial: str, leaf: str) -> str:
        return f"benchworthy/v1/{self.site}/{serial}/{leaf}"


class _Client:
    """A connection of its own, with a client id that nobody else has."""

    def __init__(self, place: Place, login: Login) -> None:
        self._heard: queue.SimpleQueue[tuple[str, bytes]] = queue.SimpleQueue()
        self._answers: queue.SimpleQueue[ReasonCode] = queue.SimpleQueue()
        self._subscribed: queue.SimpleQueue[int] = queue.SimpleQueue()
        self._mqtt = mqtt.Client(CallbackAPIVersion.VERSION2, f"{TRIAL}-{secrets.token_hex(4)}", reconnect_on_failure=False)
        if login.user:
            self._mqtt.username_pw_set(login.user, login.password)
        self._mqtt.on_connect = lambda _c, _d, _f, code, _p: self._answers.put(code)
        self._mqtt.on_message = lambda _c, _d, message: self._heard.put((message.topic, bytes(message.payload)))
        self._mqtt.on_subscribe = lambda _c, _d, number, _r, _p: self._subscribed.put(number)
        try:
            self._mqtt.connect(place.host, place.port, 30)
        except OSError as fault:
            raise ServiceUnreachable(f"No broker answers at {place.host}:{place.port} ({fault}).") from fault
        self._mqtt.loop_start()

    def admitted(self) -> bool:
        """Raises ServiceUnreachable when nothing is said."""
        try:
            return not self._answers.get(timeout=PATIENCE_SECONDS).is_failure
        except queue.Empty:
            raise ServiceUnreachable("The broker takes the connection and says nothing.") from None

    def subscribe(self, *topics: str) -> None:
        """One by one and answered; refused or granted, only what then arrives counts."""
        for topic in topics:
            self._mqtt.subscribe(topic, 1)
            try:
                self._subscribed.get(timeout=PATIENCE_SECONDS)
            except queue.Empty:
                return

    def send(self, topic: str, word: str) -> None:
        self._mqtt.publish(topic, word, 1)

    def heard_until(self, topic: str, word: str) -> tuple[bool, Sequence[tuple[str, bytes]]]:
        """Whether this message came, and what came before it."""
        before: list[tuple[str, bytes]] = []
        deadline = time.monotonic() + PATIENCE_SECONDS
        while (left := deadline - time.monotonic()) > 0:
            try:
                message = self._heard.get(timeout=left)
            except queue.Empty:
                break
            if message == (topic, word.encode()):
                return True, before
            before.append(message)
        return False, before

    def close(self) -> None:
        self._mqtt.disconnect()
        self._mqtt.loop_stop()


@contextmanager
def _connected(place: Place, login: Login) -> Iterator[_Client | None]:
    """None when the broker refuses the login. Raises ServiceUnreachable."""
    client = _Client(place, login)
    try:
        yield client if client.admitted() else None
    finally:
        client.close()


def examine(place: Place) -> Iterator[Finding]:
    """Each finding as it is made; ends early where the next could not be tried."""
    try:
        yield from _strangers(place)
        with ExitStack() as open_ends:
            listener = open_ends.enter_context(_connected(place, place.listener))
            board = open_ends.enter_context(_connected(place, place.board))
            yield from _logins(place, listener is not None, board is not None)
            if listener is not None and board is not None:
                yield from _rules(place, listener, board)
    except ServiceUnreachable as fault:
        yield Finding("reach", False, fault.detail, "Start the broker, or correct BENCHWORTHY_MQTT.")


def _strangers(place: Place) -> Iterator[Finding]:
    for name, login in (("anonymous", Login("", "")), ("wrong password", Login(place.board.user, "wrong"))):
        with _connected(place, login) as client:
            means = "is refused" if client is None else "is let in: whoever reaches the port can read and write"
            advice = "" if client is None else f"allow_anonymous must be false, with a password file. {_FILES}"
            yield Finding(name, client is None, f"a connection with {_said(login)} {means}", advice)


def _said(login: Login) -> str:
    return f"the user {login.user} and a wrong password" if login.user else "no user name"


def _logins(place: Place, listener: bool, board: bool) -> Iterator[Finding]:
    advice = "Take the value that `benchworthy broker-files DIR --url` prints into BENCHWORTHY_MQTT."
    yield Finding("listener's login", listener, f"the listener is {_let_in(listener)}", "" if listener else advice)
    advice = f"{_FILES} With files of your own, name a board: --board SERIAL."
    yield Finding("board's login", board, f"{place.board.user} is {_let_in(board)}", "" if board else advice)


def _let_in(yes: bool) -> str:
    return "let in" if yes else "refused, and so is its work"


def _rules(place: Place, listener: _Client, board: _Client) -> Iterator[Finding]:
    own, word = place.board.user, secrets.token_hex(8)
    listener.subscribe(place.topic("+", "report"), place.topic("+", "state"), "#")
    foreign = [place.topic(_NOBODY, "report"), place.topic(_NOBODY, "state"), place.topic(own, "receipt")]
    for topic in foreign:
        board.send(topic, f"foreign {word}")
    leaves = ("report", "state") if own == TRIAL else ("state",)  # a real board's reports are its own
    arrived = True
    early: list[str] = []
    for leaf in leaves:
        board.send(place.topic(own, leaf), word)
        came, before = listener.heard_until(place.topic(own, leaf), word)
        arrived, early = arrived and came, early + [topic for topic, octets in before if octets == f"foreign {word}".encode()]
    said = " and ".join(leaves)
    yield Finding(
        "granted publish", arrived, f"what {own} writes as its {said} {_comes(arrived)} the listener", "" if arrived else _FILES
    )
    yield _nothing("denied publish", early, arrived, f"what {own} writes for another board", "reached the listener")
    yield from _reading(place, listener, board, word)


def _reading(place: Place, listener: _Client, board: _Client, word: str) -> Iterator[Finding]:
    own = place.board.user
    mine, another = place.topic(own, "receipt"), place.topic(_NOBODY, "receipt")
    board.subscribe(mine, another, place.topic("+", "receipt"), place.topic("+", "report"), "#")
    for topic in (another, place.topic(_NOBODY, "request"), mine):
        listener.send(topic, word)
    came, before = board.heard_until(mine, word)
    foreign = [topic for topic, octets in before if octets == word.encode() and f"/{own}/" not in topic]
    yield Finding(
        "receipt",
        came,
        f"a receipt for {own} {_comes(came)} it",
        "" if came else f"It may write no receipts, or {own} read none. {_FILES}",
    )
    yield _nothing("denied read", foreign, came, "what the listener writes for another board", f"reached {own}")


def _comes(yes: bool) -> str:
    return "comes to" if yes else "does not come to"


def _nothing(name: str, arrived: Sequence[str], proven: bool, what: str, where: str) -> Finding:
    """Nothing arrived, which is worth something only when what came after it did."""
    if arrived:
        return Finding(
            name, False, f"{what} {where}: {', '.join(sorted(set(arrived)))}", f"The access list is missing or too wide. {_FILES}"
        )
    if not proven:
        return Finding(name, False, f"{what} could not be tried, as nothing came at all", "Mend what is named above first.")
    return Finding(name, True, f"{what} comes to nobody")
