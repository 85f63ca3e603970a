"""Loans: the slip's code, accessories, what was told at the return, how deep the check-in must be. Remarks of borrowers.

Revision: 0006, after 0005
"""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

# Of a loan from before, nothing of this is known: all stays empty.
_OF_LOANS = (
    ("code_hash", sa.String(length=64)),
    ("accessories", sa.JSON()),
    ("counted", sa.JSON()),
    ("dropped", sa.Boolean()),
    ("wet", sa.Boolean()),
    ("module_read", sa.String(length=64)),
    ("returned_by", sa.String(length=32)),
    ("asked", sa.String(length=24)),
    ("reasons", sa.JSON()),
)


def upgrade() -> None:
    for name, kind in _OF_LOANS:
        op.add_column("loans", sa.Column(name, kind))
    op.create_index(op.f("ix_loans_code_hash"), "loans", ["code_hash"])
    op.create_table(
        "remarks",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("serial", sa.String(length=24), nullable=False),
        sa.Column("loan", sa.String(length=40), nullable=False),
        sa.Column("told_by", sa.String(length=8), nullable=False),
        sa.Column("text_hash", sa.String(length=64), nullable=False),
        sa.Column("by", sa.String(length=32), nullable=False),
        sa.Column("at", sa.String(length=32), nullable=False),
        sa.Column("read_by", sa.String(length=32)),
        sa.Column("read_at", sa.String(length=32)),
        sa.Column("outcome_hash", sa.String(length=64)),
        sa.ForeignKeyConstraint(["serial"], ["boards.serial"], name=op.f("fk_remarks_serial")),
        sa.ForeignKeyConstraint(["loan"], ["loans.id"], name=op.f("fk_remarks_loan")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_remarks")),
    )
    op.create_index(op.f("ix_remarks_serial"), "remarks", ["serial"])
    op.create_index(op.f("ix_remarks_loan"), "remarks", ["loan"])


def downgrade() -> None:
    op.drop_table("remarks")
    op.drop_index(op.f("ix_loans_code_hash"), table_name="loans")
    with op.batch_alter_table("loans") as batch:
        for name, _ in reversed(_OF_LOANS):
            batch.drop_column(name)
