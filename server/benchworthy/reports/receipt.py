"""A receipt: what goes back after commit, so that the sender may drop the report."""

import json
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Receipt:
    """Names the report and what the service made of it; `mac` is empty for a bench key, which shares no secret."""

    report: str
    verdict: str
    mac: str

    def to_json(self) -> str:
        return json.dumps({"v": 1, "report": self.report, "verdict": self.verdict, "mac": self.mac}, separators=(",", ":"))


def message(report: str, verdict: str) -> bytes:
    """The bytes whose HMAC-SHA256 a receipt carries."""
    return f"benchworthy-receipt\n{report}\n{verdict}".encode()
