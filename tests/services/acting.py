"""People at the desk, played by threads: each act goes out with an Idempotency-Key, again and again until it is answered."""

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import requests

from benchworthy.intake import label

# What is done with one board, in this order: who does it, and the path and body by what was answered before.
Step = tuple[str, Callable[[str, Mapping[str, Any]], tuple[str, Any]]]
ACTS: tuple[Step, ...] = (
    ("tester", lambda serial, _: ("/boards", {"serial": serial, "design": "tarn-b", "virtual": True})),
    ("desk", lambda serial, _: (f"/boards/{serial}/defects", {"seen": f"{serial} rattles"})),
    ("tester", lambda serial, said: (f"/boards/{serial}/repairs", _repair(said))),
    ("tester", lambda serial, said: (f"/boards/{serial}/holds/{said['hold']['id']}/release", {"reason": "mended"})),
    ("coordinator", lambda serial, _: (f"/boards/{serial}/retirement", {"reason": "worn out"})),
)


def _repair(said: Mapping[str, Any]) -> dict[str, Any]:
    return {"part": "R1", "seen": "soldered again", "defects": [one["id"] for one in said["defects"]]}


@dataclass
class Person:
    """Takes one board after the other through ACTS until told to end; then no act is left without its answer."""

    url: str
    name: str
    secrets: Mapping[str, str]
    acts: dict[str, int] = field(default_factory=dict)  # serial number to how many acts were answered
    again: int = 0  # answers that had been given before, and got lost on the way
    refused: list[str] = field(default_factory=list)
    ending: threading.Event = field(default_factory=threading.Event)
    answered: int = 0

    def run(self) -> None:
        number = 0
        while not self.ending.is_set() and not self.refused:
            number += 1
            serial, said = label.complete(f"{self.name}{number:03d}"), {}
            for place, (role, request) in enumerate(ACTS):
                said = self._done(role, f"{serial}-{place}", *request(serial, said))
                if self.refused:
                    return
                self.acts[serial] = place + 1
                self.answered += 1
                if self.ending.is_set():
                    return

    def _done(self, role: str, key: str, path: str, body: Any) -> Any:
        """Send until an answer comes: nobody knows whether an act without one was done, so the key says that it is the same."""
        headers = {"Authorization": f"Bearer {self.secrets[role]}", "Idempotency-Key": key}
        while True:
            try:
                answer = requests.post(f"{self.url}/api/v1{path}", json=body, headers=headers, timeout=20)
                said = answer.json()
            except requests.RequestException:
                threading.Event().wait(0.05)
                continue
            if answer.status_code in (200, 201):
                self.again += "Idempotency-Replayed" in answer.headers
                return said
            if answer.status_code == 503 or said.get("code") == "request-in-flight":
                threading.Event().wait(0.05)
                continue
            self.refused.append(f"{path}: {answer.status_code} {answer.text}")
            return {}
