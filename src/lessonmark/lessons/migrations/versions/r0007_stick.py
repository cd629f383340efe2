"""Where a stick on the target line was clicked on a clip."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Apply."""
    op.add_column("clip", sa.Column("stick", sa.JSON(none_as_null=True), nullable=True))
