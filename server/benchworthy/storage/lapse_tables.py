"""Tables of what certificates lapse by: approved programs, and verdicts by a sheet that came later."""

from sqlalchemy import Column, ForeignKey, Integer, String, Table, Text

from benchworthy.storage.tables import Moment, metadata

approved_software = Table(
    "approved_software",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("site", String(64), ForeignKey("sites.name"), nullable=False, index=True),
    Column("kind", String(16), nullable=False),
    Column("value", String(200), nullable=False),
    Column("reason", Text, nullable=False),
    Column("by", String(32), nullable=False),
    Column("at", Moment, nullable=False),
    Column("revoked_at", Moment),
)

rejudgements = Table(
    "rejudgements",
    metadata,
    Column("run", String(40), ForeignKey("runs.id"), primary_key=True),
    Column("judging", String(64), primary_key=True),
    Column("test", String(32), primary_key=True),
    Column("quantity", String(64), primary_key=True),
    Column("verdict", String(16), nullable=False),
    Column("value", String(32)),
    Column("expanded", String(32)),
    Column("unit", String(32)),
    Column("at", Moment, nullable=False),
)
