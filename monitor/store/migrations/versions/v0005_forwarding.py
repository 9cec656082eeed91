"""What was judged and told, in the order it was written, and how far it has been forwarded."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0003"
branch_labels = None
depends_on = None

_KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the tables, and write down what has happened to the alerts that are there already."""
    op.create_table(
        "levels",
        sa.Column("position", _KEY, nullable=False),
        sa.Column("batch", sa.Text(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["batch"], ["batches.slug"], name=op.f("fk_levels_batch")),
        sa.PrimaryKeyConstraint("position", name=op.f("pk_levels")),
        sa.UniqueConstraint("batch", "at_ms", name=op.f("uq_levels_batch_at_ms")),
    )
    op.create_table(
        "phases",
        sa.Column("position", _KEY, nullable=False),
        sa.Column("batch", sa.Text(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("phase", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["batch"], ["batches.slug"], name=op.f("fk_phases_batch")),
        sa.PrimaryKeyConstraint("position", name=op.f("pk_phases")),
        sa.UniqueConstraint("batch", "at_ms", name=op.f("uq_phases_batch_at_ms")),
    )
    op.create_table(
        "alert_steps",
        sa.Column("position", _KEY, nullable=False),
        sa.Column("alert_id", _KEY, nullable=False),
        sa.Column("step", sa.Text(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["alert_id"], ["alerts.id"], name=op.f("fk_alert_steps_alert_id")),
        sa.PrimaryKeyConstraint("position", name=op.f("pk_alert_steps")),
        sa.UniqueConstraint("alert_id", "step", name=op.f("uq_alert_steps_alert_id_step")),
    )
    op.create_table(
        "forwarding",
        sa.Column("target", sa.Text(), nullable=False),
        sa.Column("accepted_ms", sa.BigInteger(), nullable=True),
        sa.Column("trouble", sa.Text(), nullable=False),
        sa.Column("trouble_ms", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("target", name=op.f("pk_forwarding")),
    )
    op.create_table(
        "set_aside",
        sa.Column("id", _KEY, nullable=False),
        sa.Column("target", sa.Text(), nullable=False),
        sa.Column("feed", sa.Text(), nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.Column("line", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_set_aside")),
        sa.UniqueConstraint("target", "feed", "position", name=op.f("uq_set_aside_target_feed_position")),
    )
    for step, column in (
        ("firing", "fired_ms"),
        ("acknowledged", "acknowledged_ms"),
        ("resolved", "resolved_ms"),
    ):
        # names of ours, not a user's
        op.execute(
            f"INSERT INTO alert_steps (alert_id, step, at_ms) SELECT id, '{step}', {column} "  # noqa: S608
            f"FROM alerts WHERE {column} IS NOT NULL ORDER BY {column}, id"
        )
