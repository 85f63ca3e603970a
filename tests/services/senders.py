"""Boards at the broker, played by threads: each keeps its reports until their receipts come, as the agent does."""

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import islice

import paho.mqtt.client as paho

from benchworthy.keys.verifier import code
from benchworthy.reports import receipt
from benchworthy.reports.token import digest
from services import reports
from services.mosquitto import topic

WINDOW, RESEND_S = 40, 5.0


@dataclass
class Sender:
    """One board at the broker: keeps every report, and sends it again, until a receipt with the right code comes."""

    serial: str
    key: str
    password: str
    port: int
    resends: int = 0
    waiting: dict[str, bytes] = field(default_factory=dict)
    receipted: set[str] = field(default_factory=set)
    false_receipts: list[bytes] = field(default_factory=list)
    stopping: threading.Event = field(default_factory=threading.Event)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def prepare(self, count: int) -> None:
        tokens = [reports.field(self.serial, self.key, seq=number + 1) for number in range(count)]
        self.waiting = {digest(token): token for token in tokens}

    def run(self) -> None:
        """Until stopped. As on a board, a few reports are on their way at a time; the others wait in the spool."""
        client = paho.Client(paho.CallbackAPIVersion.VERSION2, self.serial, clean_session=False)
        client.username_pw_set(self.serial, self.password)
        client.max_inflight_messages_set(50)
        client.on_message = lambda _client, _data, message: self._take(message.payload)
        client.on_connect = lambda *_: client.subscribe(topic(self.serial, "receipt"), qos=1)
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        sent_at: dict[str, float] = {}
        try:
            while not self.stopping.wait(0.02):
                self._send_due(client, sent_at)
        finally:
            client.disconnect()
            client.loop_stop()

    def _send_due(self, client: paho.Client, sent_at: dict[str, float]) -> None:
        """The oldest WINDOW reports without a receipt, each again after RESEND_S."""
        with self.lock:
            oldest = list(islice(self.waiting.items(), WINDOW))
        now = time.monotonic()
        for name, token in oldest:
            if now - sent_at.get(name, -RESEND_S) >= RESEND_S:
                self.resends += name in sent_at
                sent_at[name] = now
                client.publish(topic(self.serial, "report"), token, qos=1)

    def told(self) -> set[str]:
        """The reports whose receipts have come."""
        with self.lock:
            return set(self.receipted)

    def _take(self, octets: bytes) -> None:
        said = json.loads(octets)
        honest = code(bytes.fromhex(self.key), receipt.message(said["report"], said["verdict"]))
        with self.lock:
            if said["mac"] != honest:
                self.false_receipts.append(octets)
                return
            self.waiting.pop(said["report"], None)
            self.receipted.add(said["report"])


@contextmanager
def sending(senders: list[Sender]) -> Iterator[None]:
    threads = [threading.Thread(target=sender.run, daemon=True) for sender in senders]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        for sender in senders:
            sender.stopping.set()
        for thread in threads:
            thread.join(10)
