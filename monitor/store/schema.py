"""The tables. `migrations/` makes them; a test holds the two together."""

from __future__ import annotations

from typing import Final

from sqlalchemy import (
    BigInteger,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)

SCHEMA_VERSION: Final = "0008"
"""The newest revision in `migrations/versions`."""

metadata: Final = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

# SQLite numbers rows by itself only where the key is called INTEGER
_KEY: Final = BigInteger().with_variant(Integer(), "sqlite")

series: Final = Table(
    "series",
    metadata,
    Column("id", _KEY, primary_key=True),
    Column("sensor", Text, nullable=False),
    Column("quantity", Text, nullable=False),
    Column("first_received_ms", BigInteger, nullable=False),
    Column("last_received_ms", BigInteger, nullable=False),
    Column("last_time_ms", BigInteger, nullable=False),
    Column("last_value", Double, nullable=False),
    UniqueConstraint("sensor", "quantity"),
)

readings: Final = Table(
    "readings",
    metadata,
    Column("position", _KEY, primary_key=True),
    Column("series_id", _KEY, ForeignKey("series.id"), nullable=False),
    Column("time_ms", BigInteger, nullable=False),
    Column("value", Double, nullable=False),
    Column("received_ms", BigInteger, nullable=False),
    Column("flag", Integer, nullable=False),
    UniqueConstraint("series_id", "time_ms"),
)

batches: Final = Table(
    "batches",
    metadata,
    Column("slug", Text, primary_key=True),
    Column("pitched_ms", BigInteger, nullable=False),
    Column("ended_ms", BigInteger),
    Column("sheet", Text, nullable=False),  # JSON, see monitor.batch.plain
)

batch_sensors: Final = Table(
    "batch_sensors",
    metadata,
    Column("batch", Text, ForeignKey("batches.slug"), primary_key=True),
    Column("role", Text, primary_key=True),
    Column("sensor", Text, primary_key=True),
    Index(None, "sensor"),
)

journal: Final = Table(
    "journal",
    metadata,
    Column("id", _KEY, primary_key=True),
    Column("batch", Text, ForeignKey("batches.slug"), nullable=False),
    Column("kind", Text, nullable=False),
    Column("done_ms", BigInteger, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("note", Text, nullable=False),
    Column("struck_ms", BigInteger),  # when it was taken back
    Index(None, "batch"),
)

struck_samples: Final = Table(
    "struck_samples",
    metadata,
    Column("position", BigInteger, primary_key=True, autoincrement=False),  # of its row in readings
    Column("batch", Text, ForeignKey("batches.slug"), nullable=False),
    Column("time_ms", BigInteger, nullable=False),
    Column("value", Double, nullable=False),
    Column("received_ms", BigInteger, nullable=False),
    Column("struck_ms", BigInteger, nullable=False),
    Index(None, "batch"),
)

calibrations: Final = Table(
    "calibrations",
    metadata,
    Column("id", _KEY, primary_key=True),
    Column("sensor", Text, nullable=False),
    Column("valid_from_ms", BigInteger, nullable=False),
    Column("entered_ms", BigInteger, nullable=False),
    Column("document", Text, nullable=False),  # JSON
    UniqueConstraint("sensor", "valid_from_ms"),
)

alerts: Final = Table(
    "alerts",
    metadata,
    Column("id", _KEY, primary_key=True),
    Column("batch", Text, ForeignKey("batches.slug"), nullable=False),
    Column("kind", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("fired_ms", BigInteger, nullable=False),
    Column("severity", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("message", Text, nullable=False),
    Column("resolved_ms", BigInteger),
    Column("resolved_message", Text, nullable=False),
    Column("acknowledged_ms", BigInteger),
    UniqueConstraint("batch", "kind", "subject", "fired_ms"),
    Index(None, "state", "batch"),
)

silences: Final = Table(
    "silences",
    metadata,
    Column("id", _KEY, primary_key=True),
    Column("batch", Text, ForeignKey("batches.slug")),
    Column("kind", Text),
    Column("from_ms", BigInteger, nullable=False),
    Column("until_ms", BigInteger, nullable=False),
    Column("note", Text, nullable=False),
    Index(None, "until_ms"),
)

deliveries: Final = Table(
    "deliveries",
    metadata,
    Column("id", _KEY, primary_key=True),
    Column("alert_id", _KEY, ForeignKey("alerts.id"), nullable=False),
    Column("channel", Text, nullable=False),
    Column("occasion", Text, nullable=False),
    Column("turn", Integer, nullable=False),
    Column("due_ms", BigInteger),  # null once it is settled, so that the index holds open ones first
    Column("attempts", Integer, nullable=False),
    Column("last_error", Text, nullable=False),
    Column("sent_ms", BigInteger),
    Column("dropped_ms", BigInteger),
    Column("dropped_why", Text, nullable=False),
    UniqueConstraint("alert_id", "channel", "occasion", "turn"),
    Index(None, "due_ms"),
)

quarantine: Final = Table(
    "quarantine",
    metadata,
    Column("id", _KEY, primary_key=True),
    Column("received_ms", BigInteger, nullable=False),
    Column("topic", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("payload_bytes", Integer, nullable=False),
    Column("kind", Text, nullable=False),
    Column("field", Text, nullable=False),
    Column("reason", Text, nullable=False),
)

fault_counts: Final = Table(
    "fault_counts",
    metadata,
    Column("kind", Text, primary_key=True),
    Column("seen", BigInteger, nullable=False),
    Column("last_ms", BigInteger, nullable=False),
)

changes: Final = Table(
    "changes",
    metadata,
    Column("position", _KEY, primary_key=True),
    Column("kind", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
)

marks: Final = Table(
    "marks",
    metadata,
    Column("name", Text, primary_key=True),
    Column("position", BigInteger, nullable=False),
)

shares: Final = Table(
    "shares",
    metadata,
    Column("id", _KEY, primary_key=True),
    Column("batch", Text, ForeignKey("batches.slug"), nullable=False),
    Column("digest", Text, nullable=False),
    Column("created_ms", BigInteger, nullable=False),
    Column("revoked_ms", BigInteger),
    UniqueConstraint("digest"),
    Index(None, "batch"),
)

standings: Final = Table(
    "standings",
    metadata,
    Column("batch", Text, ForeignKey("batches.slug"), primary_key=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("document", Text, nullable=False),
    Column("number", BigInteger, nullable=False, server_default="0"),  # grows with every write
    Column("told", Text),  # JSON, the whole snapshot: see monitor.batch.told
    Index(None, "number"),
)

members: Final = Table(
    "members",
    metadata,
    Column("name", Text, primary_key=True),
    Column("lease_until_ms", BigInteger, nullable=False),  # by the database's own clock
)

claims: Final = Table(
    "claims",
    metadata,
    Column("batch", Text, ForeignKey("batches.slug"), primary_key=True),
    Column("member", Text, nullable=False),  # no foreign key: whoever is no member holds nothing
    Column("epoch", BigInteger, nullable=False),  # grows each time the batch changes hands
    Index(None, "member"),
)

checkpoints: Final = Table(
    "checkpoints",
    metadata,
    Column("batch", Text, ForeignKey("batches.slug"), primary_key=True),
    Column("digest", Text, nullable=False),
    Column("position", BigInteger, nullable=False),
    Column("entries", Integer, nullable=False),
    Column("samples", Integer, nullable=False),
    Column("body", LargeBinary, nullable=False),
)

levels: Final = Table(
    "levels",
    metadata,
    Column("position", _KEY, primary_key=True),
    Column("batch", Text, ForeignKey("batches.slug"), nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("document", Text, nullable=False),  # JSON, see monitor.store.chronicle
    UniqueConstraint("batch", "at_ms"),
)

phases: Final = Table(
    "phases",
    metadata,
    Column("position", _KEY, primary_key=True),
    Column("batch", Text, ForeignKey("batches.slug"), nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("phase", Text, nullable=False),
    Column("reason", Text, nullable=False),
    UniqueConstraint("batch", "at_ms"),
)

alert_steps: Final = Table(
    "alert_steps",
    metadata,
    Column("position", _KEY, primary_key=True),
    Column("alert_id", _KEY, ForeignKey("alerts.id"), nullable=False),
    Column("step", Text, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    UniqueConstraint("alert_id", "step"),
)

forwarding: Final = Table(
    "forwarding",
    metadata,
    Column("target", Text, primary_key=True),
    Column("accepted_ms", BigInteger),
    Column("trouble", Text, nullable=False),
    Column("trouble_ms", BigInteger),
)

set_aside: Final = Table(
    "set_aside",
    metadata,
    Column("id", _KEY, primary_key=True),
    Column("target", Text, nullable=False),
    Column("feed", Text, nullable=False),
    Column("position", BigInteger, nullable=False),
    Column("line", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    UniqueConstraint("target", "feed", "position"),
)
