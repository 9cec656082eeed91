"""Where each open batch stood at the last look."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table of standings."""
    op.create_table(
        "standings",
        sa.Column("batch", sa.Text(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["batch"], ["batches.slug"], name=op.f("fk_standings_batch_batches")),
        sa.PrimaryKeyConstraint("batch", name=op.f("pk_standings")),
    )
