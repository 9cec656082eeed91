"""The table of the configuration file that says where history is forwarded to."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import urlsplit

from pydantic import Field, SecretStr, model_validator

from monitor.settings_sections import Section
from monitor.store.influx_target import InfluxTarget


class InfluxSection(Section):
    """A server that gets a copy of all readings, levels, phases and alerts; the token is a secret."""

    enabled: bool = False
    url: str = Field("http://127.0.0.1:8086", pattern=r"^https?://[^\s]+$", max_length=512)
    token: SecretStr = SecretStr("")
    org: str = Field("carboyd", min_length=1, max_length=200)
    bucket: str = Field("carboyd", min_length=1, max_length=200)
    ca_file: Path | None = None

    @model_validator(mode="after")
    def _usable(self) -> InfluxSection:
        if "@" in urlsplit(self.url).netloc:
            raise ValueError("url must hold no user name or password; give token instead")
        if self.ca_file is not None and not self.ca_file.is_file():
            raise ValueError(f"no file at {self.ca_file}")
        return self

    @property
    def target(self) -> InfluxTarget | None:
        """What the forwarder takes; None where it is off."""
        if not self.enabled:
            return None
        return InfluxTarget(
            self.url.rstrip("/"), self.token.get_secret_value(), self.org, self.bucket, self.ca_file
        )
