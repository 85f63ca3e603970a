"""Fixtures: enrolment, checks, holds; reference boards; recalls of designs. Runs are found by their fixtures.

Revision: 0010, after 0009
"""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _fixtures()
    op.create_table(
        "reference_boards",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("serial", sa.String(length=24), nullable=False),
        sa.Column("run", sa.String(length=40), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("unchecked", sa.JSON(), nullable=False),
        *_who_and_when("at"),
        sa.Column("ended_at", sa.String(length=32)),
        sa.ForeignKeyConstraint(["run"], ["runs.id"], name=op.f("fk_reference_boards_run")),
        sa.ForeignKeyConstraint(["serial"], ["boards.serial"], name=op.f("fk_reference_boards_serial")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reference_boards")),
    )
    op.create_index(op.f("ix_reference_boards_serial"), "reference_boards", ["serial"])
    op.create_table(
        "recalls",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("design", sa.String(length=64), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        *_who_and_when("at"),
        sa.Column("ended_at", sa.String(length=32)),
        sa.ForeignKeyConstraint(["site"], ["sites.name"], name=op.f("fk_recalls_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_recalls")),
    )
    op.create_index("ix_recalls_site_design", "recalls", ["site", "design"])
    op.create_index("ix_run_fixtures_fixture", "run_fixtures", ["fixture"])


def downgrade() -> None:
    op.drop_index("ix_run_fixtures_fixture", table_name="run_fixtures")
    for name in ("recalls", "reference_boards", "fixture_holds", "fixture_checks", "fixture_enrolments"):
        op.drop_table(name)


def _fixtures() -> None:
    op.create_table(
        "fixture_enrolments",
        sa.Column("fixture", sa.String(length=32), nullable=False),
        sa.Column("values", sa.JSON(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("by", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["fixture"], ["fixtures.serial"], name=op.f("fk_fixture_enrolments_fixture")),
        sa.PrimaryKeyConstraint("fixture", name=op.f("pk_fixture_enrolments")),
    )
    op.create_table(
        "fixture_checks",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fixture", sa.String(length=32), nullable=False),
        sa.Column("way", sa.String(length=16), nullable=False),
        sa.Column("good", sa.Boolean(), nullable=False),
        sa.Column("since", sa.String(length=32)),
        sa.Column("until", sa.String(length=32), nullable=False),
        sa.Column("told", sa.Text(), nullable=False),
        *_who_and_when("at"),
        sa.Column("run", sa.String(length=40)),
        sa.Column("certificate_no", sa.String(length=64)),
        sa.Column("virtual", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["fixture"], ["fixtures.serial"], name=op.f("fk_fixture_checks_fixture")),
        sa.ForeignKeyConstraint(["run"], ["runs.id"], name=op.f("fk_fixture_checks_run")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fixture_checks")),
    )
    op.create_index("ix_fixture_checks_fixture_until", "fixture_checks", ["fixture", "until"])
    op.create_table(
        "fixture_holds",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fixture", sa.String(length=32), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        *_who_and_when("since"),
        sa.Column("released_at", sa.String(length=32)),
        sa.Column("released_by", sa.String(length=32)),
        sa.ForeignKeyConstraint(["fixture"], ["fixtures.serial"], name=op.f("fk_fixture_holds_fixture")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fixture_holds")),
    )
    op.create_index(op.f("ix_fixture_holds_fixture"), "fixture_holds", ["fixture"])


def _who_and_when(moment: str) -> tuple["sa.Column[str]", "sa.Column[str]"]:
    return sa.Column("by", sa.String(length=32), nullable=False), sa.Column(moment, sa.String(length=32), nullable=False)
