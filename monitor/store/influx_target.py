"""Which time-series server is written to, and as whom; apart from the client, which is slow to import."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True, slots=True)
class InfluxTarget:
    """A bucket on a server."""

    url: str
    token: str = field(repr=False)
    org: str
    bucket: str
    ca_file: Path | None = None

    @property
    def name(self) -> str:
        """Names server and bucket without a secret: what positions are kept under."""
        return f"{self.url} {self.org}/{self.bucket}"
