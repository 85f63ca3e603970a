"""Where a board is kept, and a note about it.

Revision: 0005, after 0004.
"""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("boards", sa.Column("place", sa.String(length=64)))
    op.add_column("boards", sa.Column("note", sa.Text()))


def downgrade() -> None:
    op.drop_column("boards", "note")
    op.drop_column("boards", "place")
