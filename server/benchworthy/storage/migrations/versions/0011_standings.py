"""Each board's standing, kept beside the record, and the order in which evidence is read back.

The standings are worked out from the record when they are first asked for; nothing is filled in here.

Revision: 0011, after 0010
"""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "standings",
        sa.Column("serial", sa.String(length=24), nullable=False),
        sa.Column("basis", sa.String(length=120), nullable=False),
        *(_text(name, length) for name, length in (("certificate", 40), ("valid_until", 32), ("lapse", 32), ("hold", 32))),
        *(_text(name, length) for name, length in (("loan", 40), ("borrower", 32), ("lent_at", 32), ("due", 32))),
        *(_text(name, length) for name, length in (("reserved_until", 32), ("report", 32), ("seen_at", 32))),
        *(_text(name, length) for name, length in (("firmware", 200), ("agent", 64), ("agent_hash", 64))),
        sa.ForeignKeyConstraint(["serial"], ["boards.serial"], name=op.f("fk_standings_serial")),
        sa.PrimaryKeyConstraint("serial", name=op.f("pk_standings")),
    )
    op.create_table(
        "spans",
        sa.Column("serial", sa.String(length=24), nullable=False),
        sa.Column("since", sa.String(length=32), nullable=False),
        sa.Column("before", sa.String(length=32), nullable=False),
        sa.Column("state", sa.String(length=24), nullable=False),
        sa.Column("answer", sa.String(length=16), nullable=False),
        sa.Column("until", sa.String(length=32)),
        sa.Column("waiting", sa.JSON()),
        sa.ForeignKeyConstraint(["serial"], ["boards.serial"], name=op.f("fk_spans_serial")),
        sa.PrimaryKeyConstraint("serial", "since", name=op.f("pk_spans")),
    )
    op.create_index("ix_evidence_serial_received", "evidence", ["serial", "received_at", "digest"])
    op.create_index("ix_evidence_received", "evidence", ["received_at", "digest"])
    op.create_index("ix_verdicts_test", "verdicts", ["test", "digest"])


def downgrade() -> None:
    op.drop_index("ix_verdicts_test", table_name="verdicts")
    op.drop_index("ix_evidence_received", table_name="evidence")
    op.drop_index("ix_evidence_serial_received", table_name="evidence")
    op.drop_table("spans")
    op.drop_table("standings")


def _text(name: str, length: int) -> sa.Column[str]:
    return sa.Column(name, sa.String(length=length))
