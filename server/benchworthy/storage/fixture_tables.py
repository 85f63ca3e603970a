"""The tables of fixtures beside their own: enrolment, checks, holds; reference boards; recalls of designs."""

from sqlalchemy import JSON, Boolean, Column, ForeignKey, Index, Integer, String, Table, Text

from benchworthy.storage.tables import Moment, metadata

fixture_enrolments = Table(
    "fixture_enrolments",
    metadata,
    Column("fixture", String(32), ForeignKey("fixtures.serial"), primary_key=True),
    Column("values", JSON, nullable=False),
    Column("note", Text, nullable=False),
    Column("by", String(32), nullable=False),
)

fixture_checks = Table(
    "fixture_checks",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("fixture", String(32), ForeignKey("fixtures.serial"), nullable=False),
    Column("way", String(16), nullable=False),
    Column("good", Boolean, nullable=False),
    Column("since", Moment),
    Column("until", Moment, nullable=False),
    Column("told", Text, nullable=False),
    Column("by", String(32), nullable=False),
    Column("at", Moment, nullable=False),
    Column("run", String(40), ForeignKey("runs.id")),
    Column("certificate_no", String(64)),
    Column("virtual", Boolean, nullable=False),
    Index("ix_fixture_checks_fixture_until", "fixture", "until"),
)

fixture_holds = Table(
    "fixture_holds",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("fixture", String(32), ForeignKey("fixtures.serial"), nullable=False, index=True),
    Column("reason", Text, nullable=False),
    Column("by", String(32), nullable=False),
    Column("since", Moment, nullable=False),
    Column("released_at", Moment),
    Column("released_by", String(32)),
)

reference_boards = Table(
    "reference_boards",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("serial", String(24), ForeignKey("boards.serial"), nullable=False, index=True),
    Column("run", String(40), ForeignKey("runs.id"), nullable=False),
    Column("reason", Text, nullable=False),
    Column("unchecked", JSON, nullable=False),
    Column("by", String(32), nullable=False),
    Column("at", Moment, nullable=False),
    Column("ended_at", Moment),
)

recalls = Table(
    "recalls",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("site", String(64), ForeignKey("sites.name"), nullable=False),
    Column("design", String(64), nullable=False),
    Column("reason", Text, nullable=False),
    Column("by", String(32), nullable=False),
    Column("at", Moment, nullable=False),
    Column("ended_at", Moment),
    Index("ix_recalls_site_design", "site", "design"),
)
