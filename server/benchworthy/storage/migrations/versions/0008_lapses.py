"""Approved firmware and agents, verdicts by a later sheet, and a way from a module to its board.

Revision: 0008, after 0007.
"""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "approved_software",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("value", sa.String(length=200), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("by", sa.String(length=32), nullable=False),
        sa.Column("at", sa.String(length=32), nullable=False),
        sa.Column("revoked_at", sa.String(length=32)),
        sa.ForeignKeyConstraint(["site"], ["sites.name"], name=op.f("fk_approved_software_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_approved_software")),
    )
    op.create_index(op.f("ix_approved_software_site"), "approved_software", ["site"])
    op.create_table(
        "rejudgements",
        sa.Column("run", sa.String(length=40), nullable=False),
        sa.Column("judging", sa.String(length=64), nullable=False),
        sa.Column("test", sa.String(length=32), nullable=False),
        sa.Column("quantity", sa.String(length=64), nullable=False),
        sa.Column("verdict", sa.String(length=16), nullable=False),
        sa.Column("value", sa.String(length=32)),
        sa.Column("expanded", sa.String(length=32)),
        sa.Column("unit", sa.String(length=32)),
        sa.Column("at", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["run"], ["runs.id"], name=op.f("fk_rejudgements_run")),
        sa.PrimaryKeyConstraint("run", "judging", "test", "quantity", name=op.f("pk_rejudgements")),
    )
    op.create_index(op.f("ix_modules_module"), "modules", ["module"])


def downgrade() -> None:
    op.drop_index(op.f("ix_modules_module"), table_name="modules")
    op.drop_table("rejudgements")
    op.drop_index(op.f("ix_approved_software_site"), table_name="approved_software")
    op.drop_table("approved_software")
