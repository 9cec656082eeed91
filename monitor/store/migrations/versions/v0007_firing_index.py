"""What fires is found without a look at what is over: the page asks for it at every visit."""

from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the index of alerts by state."""
    op.create_index(op.f("ix_alerts_state_batch"), "alerts", ["state", "batch"])
