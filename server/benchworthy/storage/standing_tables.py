"""The tables of the boards' standing. They follow from the others, and may be emptied at any time."""

from sqlalchemy import JSON, Column, ForeignKey, Index, String, Table

from benchworthy.storage.tables import Moment, evidence, metadata, verdicts

standings = Table(
    "standings",
    metadata,
    Column("serial", String(24), ForeignKey("boards.serial"), primary_key=True),
    Column("basis", String(120), nullable=False),
    Column("certificate", String(40)),
    Column("valid_until", Moment),
    Column("lapse", String(32)),
    Column("hold", String(32)),
    Column("loan", String(40)),
    Column("borrower", String(32)),
    Column("lent_at", Moment),
    Column("due", Moment),
    Column("reserved_until", Moment),
    Column("report", String(32)),
    Column("seen_at", Moment),
    Column("firmware", String(200)),
    Column("agent", String(64)),
    Column("agent_hash", String(64)),
)

spans = Table(
    "spans",
    metadata,
    Column("serial", String(24), ForeignKey("boards.serial"), primary_key=True),
    Column("since", Moment, primary_key=True),
    Column("before", Moment, nullable=False),
    Column("state", String(24), nullable=False),
    Column("answer", String(16), nullable=False),
    Column("until", Moment),
    Column("waiting", JSON(none_as_null=True)),
)

# For reading evidence back a page at a time, of one board and of all.
Index("ix_evidence_serial_received", evidence.c.serial, evidence.c.received_at, evidence.c.digest)
Index("ix_evidence_received", evidence.c.received_at, evidence.c.digest)
Index("ix_verdicts_test", verdicts.c.test, verdicts.c.digest)
