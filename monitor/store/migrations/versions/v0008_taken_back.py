"""What the maker wrote down by mistake can be taken back, and stays on record."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Journal entries get the time of being taken back; hand samples that were have a table of their own."""
    op.add_column("journal", sa.Column("struck_ms", sa.BigInteger(), nullable=True))
    op.create_table(
        "struck_samples",
        sa.Column("position", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("batch", sa.Text(), nullable=False),
        sa.Column("time_ms", sa.BigInteger(), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("received_ms", sa.BigInteger(), nullable=False),
        sa.Column("struck_ms", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["batch"], ["batches.slug"], name=op.f("fk_struck_samples_batch_batches")),
        sa.PrimaryKeyConstraint("position", name=op.f("pk_struck_samples")),
    )
    op.create_index(op.f("ix_struck_samples_batch"), "struck_samples", ["batch"])
