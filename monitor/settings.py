"""Configuration: a TOML file, the environment and a secrets directory become one frozen, typed value.

The first source that gives a key wins, in this order: environment (`CARBOYD_MQTT__HOST`), secrets
directory (a file named `mqtt__password`), TOML file, default. Nothing else reads the environment.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import platformdirs
from pydantic import Field, ValidationError
from pydantic.fields import FieldInfo
from pydantic_settings import (
    BaseSettings,
    EnvSettingsSource,
    NestedSecretsSettingsSource,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
)

from monitor.errors import ConfigurationError
from monitor.ferment.pipeline import Analysis
from monitor.sensors.payload import Decoder
from monitor.settings_faults import Sources, faults_of
from monitor.settings_influx import InfluxSection
from monitor.settings_sections import (
    AlertPolicySection,
    DisplaySettings,
    HeartbeatSection,
    HubSection,
    MqttSettings,
    NotifySettings,
    NumberSettings,
    ObjectSettings,
    StoreSettings,
    ThresholdsSection,
    WebSection,
)

ENVIRONMENT_PREFIX: Final = "CARBOYD_"
NESTED: Final = "__"
CONFIG_VARIABLE: Final = "CARBOYD_CONFIG"
SECRETS_VARIABLE: Final = "CARBOYD_SECRETS_DIR"
SYSTEMD_CREDENTIALS_VARIABLE: Final = "CREDENTIALS_DIRECTORY"
OWN_VARIABLES: Final = {CONFIG_VARIABLE, SECRETS_VARIABLE}


class _TextStays(EnvSettingsSource):
    """Text that should be JSON and is not stays as it is: the check refuses it by key, like any value."""

    def decode_complex_value(self, field_name: str, field: FieldInfo, value: Any) -> Any:
        """A list or a table out of JSON, or the text."""
        try:
            return super().decode_complex_value(field_name, field, value)
        except (ValueError, RecursionError):
            return value


class _Environment(_TextStays):
    """Environment variables."""


class _Secrets(_TextStays, NestedSecretsSettingsSource):
    """Files in the secrets directory."""


class Settings(BaseSettings):
    """Everything that can be configured."""

    model_config = SettingsConfigDict(
        extra="forbid",
        frozen=True,
        env_prefix=ENVIRONMENT_PREFIX,
        env_nested_delimiter=NESTED,
        allow_inf_nan=False,
        hide_input_in_errors=True,
        nested_model_default_partial_update=True,
    )

    mqtt: MqttSettings = MqttSettings()
    objects: tuple[ObjectSettings, ...] = ()
    numbers: tuple[NumberSettings, ...] = ()
    store: StoreSettings = StoreSettings()
    influx: InfluxSection = InfluxSection()
    notify: NotifySettings = NotifySettings()
    web: WebSection = WebSection()
    hub: HubSection = HubSection()
    heartbeat: HeartbeatSection = HeartbeatSection()
    display: DisplaySettings = DisplaySettings()
    thresholds: ThresholdsSection = Field(default_factory=ThresholdsSection)
    alerts: AlertPolicySection = Field(default_factory=AlertPolicySection)

    @property
    def analysis(self) -> Analysis:
        """The analysis that is configured; how evidence is measured is not for configuring."""
        return Analysis(thresholds=self.thresholds.value(), alerts=self.alerts.value())

    @property
    def decoder(self) -> Decoder:
        """Turns messages into readings."""
        return Decoder(
            [section.mapping for section in self.objects], [section.mapping for section in self.numbers]
        )

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Environment, then secrets, then what the file said (handed in by `load`)."""
        # the stock secrets source does not fill nested keys; init values are the TOML file's here
        secrets = _Secrets(file_secret_settings, secrets_prefix="", secrets_nested_delimiter=NESTED)
        return _Environment(settings_cls), secrets, init_settings


@dataclass(frozen=True, slots=True)
class Loaded:
    """Settings and where they came from."""

    settings: Settings
    config_file: Path | None
    data_dir: Path

    @property
    def store_url(self) -> str:
        """The configured URL, or an SQLite file in the user's data directory."""
        if self.settings.store.url is not None:
            return self.settings.store.url.get_secret_value()
        return f"sqlite:///{self.data_dir / 'carboyd.sqlite'}"


def load(config_file: Path | None) -> Loaded:
    """Read and check the whole configuration.

    `config_file` None means the file named by CARBOYD_CONFIG, or none at all.
    Raises ConfigurationError with every fault found, not only the first.
    """
    environ = os.environ
    if config_file is None and environ.get(CONFIG_VARIABLE):
        config_file = Path(environ[CONFIG_VARIABLE])
    values = _read_toml(config_file) if config_file is not None else {}
    faults = _unknown_variables(environ)
    secrets_dir = environ.get(SECRETS_VARIABLE) or environ.get(SYSTEMD_CREDENTIALS_VARIABLE)
    if secrets_dir and not (Path(secrets_dir).is_dir() and os.access(secrets_dir, os.R_OK | os.X_OK)):
        faults.append(
            f"environment: {SECRETS_VARIABLE} = {secrets_dir!r}: no such directory, or none that can be read;"
            " allowed: a directory"
        )
        secrets_dir = None
    data_dir = Path(platformdirs.user_data_dir("carboyd"))
    try:
        settings = Settings(_secrets_dir=secrets_dir, **values)
    except ValidationError as error:
        faults += faults_of(
            error, Sources(config_file, values, environ, secrets_dir), ENVIRONMENT_PREFIX, NESTED
        )
    except (OSError, ValueError) as error:  # no other source than the secrets has files to be read here
        faults.append(f"{secrets_dir}: the secrets cannot be read: {error}")
    if faults:
        raise ConfigurationError(faults, hint="nothing was started; mend these and try again")
    return Loaded(settings, config_file, data_dir)


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            return tomllib.load(file)
    except FileNotFoundError:
        raise ConfigurationError([f"{path}: no such file"], hint="give an existing file") from None
    except OSError as error:
        raise ConfigurationError([f"{path}: cannot be read: {error.strerror}"]) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigurationError([f"{path}: not valid TOML: {error}"]) from error


def _unknown_variables(environ: Mapping[str, str]) -> list[str]:
    """A mistyped variable would be ignored without a word; name it."""
    sections = sorted(Settings.model_fields)
    return [
        f"environment: {name} = (not shown): unknown variable; allowed: "
        f"{ENVIRONMENT_PREFIX}<SECTION>{NESTED}<KEY> with a section of {', '.join(sections)}"
        for name in sorted(environ)
        if name.startswith(ENVIRONMENT_PREFIX)
        and name not in OWN_VARIABLES
        and name.removeprefix(ENVIRONMENT_PREFIX).split(NESTED)[0].lower() not in Settings.model_fields
    ]
