"""Whether a clip is mirrored, and why a lesson could not be judged."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Apply."""
    op.add_column(
        "clip", sa.Column("mirrored", sa.Boolean(), nullable=False, server_default=sa.false())
    )
    for name in ("problem", "problem_do"):
        op.add_column("lesson", sa.Column(name, sa.Text(), nullable=False, server_default=""))
