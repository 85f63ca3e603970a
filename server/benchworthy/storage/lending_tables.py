"""The table of borrowers' remarks. Their texts lie beside the ledger, found by hash, so that a text can be erased."""

from sqlalchemy import Column, ForeignKey, Integer, String, Table

from benchworthy.storage.tables import Moment, metadata

remarks = Table(
    "remarks",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("serial", String(24), ForeignKey("boards.serial"), nullable=False, index=True),
    Column("loan", String(40), ForeignKey("loans.id"), nullable=False, index=True),
    Column("told_by", String(8), nullable=False),
    Column("text_hash", String(64), nullable=False),
    Column("by", String(32), nullable=False),
    Column("at", Moment, nullable=False),
    Column("read_by", String(32)),
    Column("read_at", Moment),
    Column("outcome_hash", String(64)),
)
