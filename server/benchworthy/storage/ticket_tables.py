"""The table of run tickets. A run has the id of the ticket that it was opened on; before its use a ticket has no board."""

from sqlalchemy import JSON, Column, ForeignKey, String, Table

from benchworthy.storage.tables import Moment, metadata

tickets = Table(
    "tickets",
    metadata,
    Column("id", String(40), primary_key=True),
    Column("site", String(64), ForeignKey("sites.name"), nullable=False),
    Column("bench", String(43), ForeignKey("benches.thumbprint"), nullable=False, index=True),
    Column("design", String(64), nullable=False),
    Column("test_set", String(32), nullable=False),
    Column("judging", String(64), nullable=False),
    Column("guide", String(64), nullable=False),
    Column("nonce", String(32), nullable=False),
    Column("draws", JSON, nullable=False),
    Column("issued_by", String(32), nullable=False),
    Column("issued_at", Moment, nullable=False),
    Column("expires_at", Moment, nullable=False),
    Column("used_at", Moment),
    Column("serial", String(24), ForeignKey("boards.serial")),
    Column("tested_by", String(32)),
    Column("said_at", Moment),
)
