"""The tables of waivers, and of the certificates that rest on them."""

from sqlalchemy import Column, ForeignKey, Integer, String, Table, Text

from benchworthy.storage.tables import Moment, metadata

waivers = Table(
    "waivers",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("serial", String(24), ForeignKey("boards.serial"), nullable=False, index=True),
    Column("test", String(64), nullable=False),
    Column("reason", Text, nullable=False),
    Column("by", String(32), nullable=False),
    Column("at", Moment, nullable=False),
    Column("until", Moment, nullable=False),
    Column("ended_at", Moment),
    Column("ended_by", String(32)),
)

resting = Table(
    "certificate_waivers",
    metadata,
    Column("certificate", String(40), ForeignKey("certificates.id"), primary_key=True),
    Column("waiver", Integer, ForeignKey("waivers.number"), primary_key=True),
)
