"""How long the stick is that was clicked on a clip."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Apply."""
    op.add_column("clip", sa.Column("stick_cm", sa.Double(), nullable=True))
