"""Requests to boards in the field: each numbered per board, its message in the outbox.

Revision: 0002, after 0001
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "requests",
        sa.Column("serial", sa.String(length=24), nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("do", sa.String(length=16), nullable=False),
        sa.Column("made_at", sa.String(length=32), nullable=False),
        sa.Column("by", sa.String(length=32), nullable=False),
        sa.Column("letter", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["letter"], ["outbox.id"], name=op.f("fk_requests_letter")),
        sa.ForeignKeyConstraint(["serial"], ["boards.serial"], name=op.f("fk_requests_serial")),
        sa.PrimaryKeyConstraint("serial", "number", name=op.f("pk_requests")),
    )


def downgrade() -> None:
    op.drop_table("requests")
