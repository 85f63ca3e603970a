"""Answers to requests with an Idempotency-Key, and one running number over all chains of the ledger.

Revision: 0004, after 0003.
"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "answers",
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("request", sa.String(length=64), nullable=False),
        sa.Column("sealed", sa.LargeBinary(), nullable=False),
        sa.Column("at", sa.String(length=32), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_answers")),
    )
    op.create_index(op.f("ix_answers_at"), "answers", ["at"])
    op.create_table(
        "changes",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("chain", sa.String(length=80), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_changes")),
    )
    op.execute("INSERT INTO changes (chain, position) SELECT chain, position FROM ledger ORDER BY at, chain, position")


def downgrade() -> None:
    op.drop_table("changes")
    op.drop_table("answers")
