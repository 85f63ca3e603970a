"""The service's side of the broker in small: stores each report once by its digest and answers with real receipts."""

import hashlib
import hmac
import json
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import paho.mqtt.client as paho

from benchworthy.reports import receipt, token
from services.mosquitto import LISTENER, Mosquitto, listener, topic, until


@dataclass(slots=True)
class Answering:
    """What came from one board, and what is said to it."""

    serial: str
    key: bytes
    sender: paho.Client
    silent: bool = False
    heard: int = 0  # reports that came, those left unanswered among them
    receipt_qos: int = 1  # with 0 a broker keeps no receipt for a board that is away
    stored: dict[str, bytes] = field(default_factory=dict)  # each report once, by its digest
    arrivals: Counter[str] = field(default_factory=Counter)
    states: list[str] = field(default_factory=list)

    def take(self, client: paho.Client, message: paho.MQTTMessage) -> None:
        if message.topic == topic(self.serial, "state"):
            self.states.append(message.payload.decode())
        if message.topic != topic(self.serial, "report"):
            return
        self.heard += 1
        if not self.silent:
            digest = token.digest(message.payload)
            self.arrivals[digest] += 1
            self.stored.setdefault(digest, message.payload)
            client.publish(topic(self.serial, "receipt"), self.receipt(digest), self.receipt_qos)

    def receipt(self, digest: str) -> str:
        mac = hmac.new(self.key, receipt.message(digest, "in limits"), "sha256").hexdigest()
        return receipt.Receipt(digest, "in limits", mac).to_json()

    def ask(self, n: int, do: str, plan: str | None = None, spoilt: Mapping[str, Any] | None = None) -> None:
        """Send a request to a board that was here before, or the broker would not keep it; `spoilt` changes its fields."""
        fields = {"v": 1, "n": n, "do": do, "plan": plan, "mac": request_mac(self.key, n, do, plan), **(spoilt or {})}
        assert until(lambda: any(state.startswith("online") for state in self.states))
        self.sender.publish(topic(self.serial, "request"), json.dumps(fields), 1).wait_for_publish(5)

    def payloads(self) -> list[dict[str, Any]]:
        return [json.loads(token.split(raw).payload) for raw in self.stored.values()]


def request_mac(key: bytes, n: int, do: str, plan: str | None) -> str:
    plan_hash = hashlib.sha256((plan or "").encode()).hexdigest()
    return hmac.new(key, f"benchworthy-request\n{n}\n{do}\n{plan_hash}".encode(), "sha256").hexdigest()


@contextmanager
def answering(broker: Mosquitto, serial: str, key: bytes) -> Iterator[Answering]:
    """A consumer at the broker for as long as the block lasts."""
    sender = paho.Client(paho.CallbackAPIVersion.VERSION2, "asker")
    sender.username_pw_set(*LISTENER)
    sender.connect("127.0.0.1", broker.port)
    sender.loop_start()
    made = Answering(serial, key, sender)
    try:
        with listener(broker, made.take):
            yield made
    finally:
        sender.disconnect()
        sender.loop_stop()
