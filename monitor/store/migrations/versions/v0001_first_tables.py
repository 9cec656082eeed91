"""The first tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make every table of the first release."""
    op.create_table(
        "batches",
        sa.Column("slug", sa.Text(), nullable=False),
        sa.Column("pitched_ms", sa.BigInteger(), nullable=False),
        sa.Column("ended_ms", sa.BigInteger(), nullable=True),
        sa.Column("sheet", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("slug", name=op.f("pk_batches")),
    )
    op.create_table(
        "calibrations",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("sensor", sa.Text(), nullable=False),
        sa.Column("valid_from_ms", sa.BigInteger(), nullable=False),
        sa.Column("entered_ms", sa.BigInteger(), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibrations")),
        sa.UniqueConstraint("sensor", "valid_from_ms", name=op.f("uq_calibrations_sensor_valid_from_ms")),
    )
    op.create_table(
        "changes",
        sa.Column("position", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("position", name=op.f("pk_changes")),
    )
    op.create_table(
        "fault_counts",
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("seen", sa.BigInteger(), nullable=False),
        sa.Column("last_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("kind", name=op.f("pk_fault_counts")),
    )
    op.create_table(
        "marks",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_marks")),
    )
    op.create_table(
        "quarantine",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("received_ms", sa.BigInteger(), nullable=False),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.Column("payload_bytes", sa.Integer(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("field", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_quarantine")),
    )
    op.create_table(
        "series",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("sensor", sa.Text(), nullable=False),
        sa.Column("quantity", sa.Text(), nullable=False),
        sa.Column("first_received_ms", sa.BigInteger(), nullable=False),
        sa.Column("last_received_ms", sa.BigInteger(), nullable=False),
        sa.Column("last_time_ms", sa.BigInteger(), nullable=False),
        sa.Column("last_value", sa.Double(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_series")),
        sa.UniqueConstraint("sensor", "quantity", name=op.f("uq_series_sensor_quantity")),
    )
    op.create_table(
        "alerts",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("batch", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("fired_ms", sa.BigInteger(), nullable=False),
        sa.Column("severity", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("message", sa.Text(), nullable=False),
        sa.Column("resolved_ms", sa.BigInteger(), nullable=True),
        sa.Column("resolved_message", sa.Text(), nullable=False),
        sa.Column("acknowledged_ms", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["batch"], ["batches.slug"], name=op.f("fk_alerts_batch")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alerts")),
        sa.UniqueConstraint(
            "batch", "kind", "subject", "fired_ms", name=op.f("uq_alerts_batch_kind_subject_fired_ms")
        ),
    )
    op.create_table(
        "batch_sensors",
        sa.Column("batch", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("sensor", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["batch"], ["batches.slug"], name=op.f("fk_batch_sensors_batch")),
        sa.PrimaryKeyConstraint("batch", "role", "sensor", name=op.f("pk_batch_sensors")),
    )
    op.create_index(op.f("ix_batch_sensors_sensor"), "batch_sensors", ["sensor"], unique=False)
    op.create_table(
        "journal",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("batch", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("done_ms", sa.BigInteger(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["batch"], ["batches.slug"], name=op.f("fk_journal_batch")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_journal")),
    )
    op.create_index(op.f("ix_journal_batch"), "journal", ["batch"], unique=False)
    op.create_table(
        "readings",
        sa.Column("position", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("series_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("time_ms", sa.BigInteger(), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("received_ms", sa.BigInteger(), nullable=False),
        sa.Column("flag", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["series_id"], ["series.id"], name=op.f("fk_readings_series_id")),
        sa.PrimaryKeyConstraint("position", name=op.f("pk_readings")),
        sa.UniqueConstraint("series_id", "time_ms", name=op.f("uq_readings_series_id_time_ms")),
    )
    op.create_table(
        "silences",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("batch", sa.Text(), nullable=True),
        sa.Column("kind", sa.Text(), nullable=True),
        sa.Column("from_ms", sa.BigInteger(), nullable=False),
        sa.Column("until_ms", sa.BigInteger(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["batch"], ["batches.slug"], name=op.f("fk_silences_batch")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_silences")),
    )
    op.create_index(op.f("ix_silences_until_ms"), "silences", ["until_ms"], unique=False)
    op.create_table(
        "deliveries",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("alert_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("channel", sa.Text(), nullable=False),
        sa.Column("occasion", sa.Text(), nullable=False),
        sa.Column("turn", sa.Integer(), nullable=False),
        sa.Column("due_ms", sa.BigInteger(), nullable=True),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("last_error", sa.Text(), nullable=False),
        sa.Column("sent_ms", sa.BigInteger(), nullable=True),
        sa.Column("dropped_ms", sa.BigInteger(), nullable=True),
        sa.Column("dropped_why", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["alert_id"], ["alerts.id"], name=op.f("fk_deliveries_alert_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_deliveries")),
        sa.UniqueConstraint(
            "alert_id",
            "channel",
            "occasion",
            "turn",
            name=op.f("uq_deliveries_alert_id_channel_occasion_turn"),
        ),
    )
    op.create_index(op.f("ix_deliveries_due_ms"), "deliveries", ["due_ms"], unique=False)
