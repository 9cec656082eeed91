"""Links to share one batch."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table of shared links."""
    op.create_table(
        "shares",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("batch", sa.Text(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
        sa.Column("revoked_ms", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["batch"], ["batches.slug"], name=op.f("fk_shares_batch_batches")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shares")),
        sa.UniqueConstraint("digest", name=op.f("uq_shares_digest")),
    )
    op.create_index(op.f("ix_shares_batch"), "shares", ["batch"])
