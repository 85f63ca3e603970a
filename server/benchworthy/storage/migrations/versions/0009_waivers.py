"""Waivers, the certificates that rest on them, and boards that are built stage by stage.

Revision: 0009, after 0008.
"""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "waivers",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("serial", sa.String(length=24), nullable=False),
        sa.Column("test", sa.String(length=64), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("by", sa.String(length=32), nullable=False),
        sa.Column("at", sa.String(length=32), nullable=False),
        sa.Column("until", sa.String(length=32), nullable=False),
        sa.Column("ended_at", sa.String(length=32)),
        sa.Column("ended_by", sa.String(length=32)),
        sa.ForeignKeyConstraint(["serial"], ["boards.serial"], name=op.f("fk_waivers_serial")),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_waivers")),
    )
    op.create_index(op.f("ix_waivers_serial"), "waivers", ["serial"])
    op.create_table(
        "certificate_waivers",
        sa.Column("certificate", sa.String(length=40), nullable=False),
        sa.Column("waiver", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["certificate"], ["certificates.id"], name=op.f("fk_certificate_waivers_certificate")),
        sa.ForeignKeyConstraint(["waiver"], ["waivers.number"], name=op.f("fk_certificate_waivers_waiver")),
        sa.PrimaryKeyConstraint("certificate", "waiver", name=op.f("pk_certificate_waivers")),
    )
    op.add_column("boards", sa.Column("staged", sa.Boolean(), nullable=False, server_default=sa.false()))


def downgrade() -> None:
    op.drop_column("boards", "staged")
    op.drop_table("certificate_waivers")
    op.drop_index(op.f("ix_waivers_serial"), table_name="waivers")
    op.drop_table("waivers")
