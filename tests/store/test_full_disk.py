"""A disk that takes no more is noticed by the very write that the sign of life hangs on."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

SCRIPT = """
import resource, sys
from monitor.errors import StoreUnavailableError
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore

store = SqlStore(StoreOptions(sys.argv[1]))
store.changes.set_mark("alive", 1)
before = resource.getrlimit(resource.RLIMIT_FSIZE)
resource.setrlimit(resource.RLIMIT_FSIZE, (4_096, before[1]))  # from here on the system refuses to write
try:
    store.changes.set_mark("alive", 2)
    print("written")
except StoreUnavailableError as error:
    print("refused:", error)
resource.setrlimit(resource.RLIMIT_FSIZE, before)
store.changes.set_mark("alive", 3)
print("now", store.changes.mark("alive"))
"""


def test_a_mark_cannot_be_set_where_the_system_refuses_to_write(tmp_path: Path) -> None:
    """It is refused as unavailable, not pretended; when there is room again the same store goes on."""
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, f"sqlite:///{tmp_path}/carboyd.sqlite"],
        capture_output=True,
        text=True,
        timeout=60,
    )
    lines = done.stdout.splitlines()
    assert lines[0].startswith("refused:"), done
    assert lines[1:] == ["now 3"], done
