"""What the desk puts on record of a board: defects, repairs, reservations, losses, sign-offs and retirements.

Revision: 0003, after 0002
"""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _entries("defects", _text("seen"), _moment("closed_at"), sa.Column("closed_as", sa.String(length=24)))
    _entries(
        "repairs",
        sa.Column("part", sa.String(length=32), nullable=False),
        sa.Column("stage", sa.Integer(), nullable=False),
        sa.Column("lot", sa.String(length=64)),
        _text("seen"),
    )
    _entries(
        "reservations",
        sa.Column("borrower", sa.String(length=32), nullable=False),
        sa.Column("until", sa.String(length=32), nullable=False),
        _moment("ended_at"),
    )
    _entries("losses", _moment("found_at"))
    _entries(
        "sign_offs",
        sa.Column("stage", sa.Integer(), nullable=False),
        sa.Column("builder", sa.String(length=32), nullable=False),
    )
    op.create_table(
        "retirements",
        sa.Column("serial", sa.String(length=24), nullable=False),
        _text("reason"),
        sa.Column("for_parts", sa.Boolean(), nullable=False),
        sa.Column("by", sa.String(length=32), nullable=False),
        sa.Column("at", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["serial"], ["boards.serial"], name=op.f("fk_retirements_serial")),
        sa.PrimaryKeyConstraint("serial", name=op.f("pk_retirements")),
    )


def downgrade() -> None:
    op.drop_table("retirements")
    for name in ("sign_offs", "losses", "reservations", "repairs", "defects"):
        op.drop_index(op.f(f"ix_{name}_serial"), table_name=name)
        op.drop_table(name)


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text(), nullable=False)


def _moment(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.String(length=32))


def _entries(name: str, *columns: "sa.Column[str] | sa.Column[int]") -> None:
    op.create_table(
        name,
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("serial", sa.String(length=24), nullable=False),
        *columns,
        sa.Column("by", sa.String(length=32), nullable=False),
        sa.Column("at", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["serial"], ["boards.serial"], name=op.f(f"fk_{name}_serial")),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{name}")),
    )
    op.create_index(op.f(f"ix_{name}_serial"), name, ["serial"])
