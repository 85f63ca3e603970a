"""The tables of what the desk puts on record of a board beside its evidence."""

from sqlalchemy import Boolean, Column, ForeignKey, Integer, String, Table, Text

from benchworthy.storage.tables import Moment, metadata


def _entry(name: str, *columns: Column[object]) -> Table:
    """A table of numbered entries about boards: who made each, and when."""
    return Table(
        name,
        metadata,
        Column("id", Integer, primary_key=True),
        Column("serial", String(24), ForeignKey("boards.serial"), nullable=False, index=True),
        *columns,
        Column("by", String(32), nullable=False),
        Column("at", Moment, nullable=False),
    )


defects = _entry("defects", Column("seen", Text, nullable=False), Column("closed_at", Moment), Column("closed_as", String(24)))

repairs = _entry(
    "repairs",
    Column("part", String(32), nullable=False),
    Column("stage", Integer, nullable=False),
    Column("lot", String(64)),
    Column("seen", Text, nullable=False),
)

reservations = _entry(
    "reservations",
    Column("borrower", String(32), nullable=False),
    Column("until", Moment, nullable=False),
    Column("ended_at", Moment),
)

losses = _entry("losses", Column("found_at", Moment))

sign_offs = _entry("sign_offs", Column("stage", Integer, nullable=False), Column("builder", String(32), nullable=False))

retirements = Table(
    "retirements",
    metadata,
    Column("serial", String(24), ForeignKey("boards.serial"), primary_key=True),
    Column("reason", Text, nullable=False),
    Column("for_parts", Boolean, nullable=False),
    Column("by", String(32), nullable=False),
    Column("at", Moment, nullable=False),
)
