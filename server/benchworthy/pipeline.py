"""The path of a report, from bytes to receipt. Read from top to bottom, it is the table of contents of the service.

gate      size, token, key, signature, schema, and whether it is seen or replayed
judge     readings against the sheet; a run is judged as a whole each time a part arrives
record    token as received, verdicts, findings, ledger: one transaction
weigh     does a certificate lapse by it: another program, a doubt from the field
announce  the receipt, which names the report's digest, goes back only after commit
"""

from dataclasses import dataclass

from benchworthy.acts import field_doubt, software
from benchworthy.errors import ReportForAnother
from benchworthy.evidence import gate, recording
from benchworthy.ports import Services, Work
from benchworthy.reports import token as tokens


@dataclass(frozen=True, slots=True)
class Received:
    """What became of an arrival: the receipt's text, and whether the report was new."""

    receipt: str
    digest: str
    serial: str
    new: bool


def receive(raw: bytes, arrival: str, services: Services, topic_serial: str | None = None) -> Received:
    """Take one report in, from any way. Raises ReportRefused, RunClosed, UnknownSerial or StorageBusy; then nothing is stored.

    `arrival` is "mqtt" or "http"; a receipt for MQTT is put into the outbox in the same transaction.
    """
    tokens.split(raw)  # a fault of shape needs no lock
    with services.storage.writing() as work:
        return receive_within(raw, arrival, work, services, topic_serial)


def receive_within(raw: bytes, arrival: str, work: Work, services: Services, topic_serial: str | None = None) -> Received:
    """Take one report in as part of the caller's transaction. A report that is refused has written nothing to it."""
    token = tokens.split(raw)
    seen = work.evidence.find(token.digest)
    if seen is not None:
        if topic_serial is not None and topic_serial != seen.serial:
            raise ReportForAnother(f"The topic names {topic_serial}, the report {seen.serial}.")
        recording.announce(work, services, seen.serial, seen.receipt, arrival)
        return Received(seen.receipt, seen.digest, seen.serial, new=False)
    claim = gate.admit(token, topic_serial, work, services)
    recorded = recording.record(claim, arrival, work, services)
    software.weigh(claim, recorded, work, services)
    field_doubt.weigh(claim, recorded, work, services)
    recording.announce(work, services, recorded.serial, recorded.receipt, arrival)
    return Received(recorded.receipt, recorded.digest, recorded.serial, new=True)
