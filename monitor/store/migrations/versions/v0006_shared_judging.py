"""Judging shared by several processes, and checkpoints that make a restart short."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables of members, claims and checkpoints; standings get the whole snapshot and a number."""
    op.create_table(
        "members",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("lease_until_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_members")),
    )
    op.create_table(
        "claims",
        sa.Column("batch", sa.Text(), nullable=False),
        sa.Column("member", sa.Text(), nullable=False),
        sa.Column("epoch", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["batch"], ["batches.slug"], name=op.f("fk_claims_batch_batches")),
        sa.PrimaryKeyConstraint("batch", name=op.f("pk_claims")),
    )
    op.create_index(op.f("ix_claims_member"), "claims", ["member"])
    op.create_table(
        "checkpoints",
        sa.Column("batch", sa.Text(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.Column("entries", sa.Integer(), nullable=False),
        sa.Column("samples", sa.Integer(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["batch"], ["batches.slug"], name=op.f("fk_checkpoints_batch_batches")),
        sa.PrimaryKeyConstraint("batch", name=op.f("pk_checkpoints")),
    )
    # both are filled at the next look, an hour away at most
    op.add_column("standings", sa.Column("number", sa.BigInteger(), nullable=False, server_default="0"))
    op.add_column("standings", sa.Column("told", sa.Text(), nullable=True))
    op.create_index(op.f("ix_standings_number"), "standings", ["number"])
