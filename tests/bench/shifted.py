"""`carboyd run` on a clock that goes ahead of the wall's by so many milliseconds: what comes at the full hour
is then measured when there is time for it.

    python tests/bench/shifted.py AHEAD_MS CONFIG
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass
from pathlib import Path

from monitor import daemon
from monitor.commands.run import SWITCH_S, supervise
from monitor.settings import load


@dataclass(frozen=True, slots=True)
class Ahead:
    """The wall's clock and so many milliseconds."""

    ahead_ms: int = 0

    def now_ms(self) -> int:
        """The time now on this clock, Unix milliseconds."""
        return time.time_ns() // 1_000_000 + self.ahead_ms


def main() -> int:
    """Run until stopped."""
    ahead_ms, config = int(sys.argv[1]), Path(sys.argv[2])
    sys.setswitchinterval(SWITCH_S)
    daemon.SystemClock = lambda: Ahead(ahead_ms)  # type: ignore[assignment,misc]
    return supervise(load(config))


if __name__ == "__main__":
    import logging

    logging.basicConfig(level=logging.INFO, stream=sys.stderr)
    for noisy in ("apscheduler", "sqlalchemy", "alembic"):
        logging.getLogger(noisy).setLevel(logging.WARNING)
    sys.exit(main())
