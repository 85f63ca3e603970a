"""Run tickets for benches that are away from the service, and the scope of a token.

Revision: 0007, after 0006.
"""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "tickets",
        _text("id", 40, nullable=False),
        _text("site", 64, nullable=False),
        _text("bench", 43, nullable=False),
        _text("design", 64, nullable=False),
        _text("test_set", 32, nullable=False),
        _text("judging", 64, nullable=False),
        _text("guide", 64, nullable=False),
        _text("nonce", 32, nullable=False),
        sa.Column("draws", sa.JSON(), nullable=False),
        _text("issued_by", 32, nullable=False),
        _text("issued_at", 32, nullable=False),
        _text("expires_at", 32, nullable=False),
        _text("used_at", 32),
        _text("serial", 24),
        _text("tested_by", 32),
        _text("said_at", 32),
        sa.ForeignKeyConstraint(["bench"], ["benches.thumbprint"], name=op.f("fk_tickets_bench")),
        sa.ForeignKeyConstraint(["serial"], ["boards.serial"], name=op.f("fk_tickets_serial")),
        sa.ForeignKeyConstraint(["site"], ["sites.name"], name=op.f("fk_tickets_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tickets")),
    )
    op.create_index(op.f("ix_tickets_bench"), "tickets", ["bench"])
    op.add_column("tokens", sa.Column("scope", sa.String(length=16), nullable=False, server_default="all"))


def downgrade() -> None:
    with op.batch_alter_table("tokens") as batch:
        batch.drop_column("scope")
    op.drop_index(op.f("ix_tickets_bench"), table_name="tickets")
    op.drop_table("tickets")


def _text(name: str, length: int, *, nullable: bool = True) -> "sa.Column[str]":
    return sa.Column(name, sa.String(length=length), nullable=nullable)
