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
from typing import Annotated, Any, Final, Literal

import platformdirs
from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    SecretStr,
    StringConstraints,
    ValidationError,
    model_validator,
)
from pydantic_settings import (
    BaseSettings,
    NestedSecretsSettingsSource,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
)

from monitor.errors import ConfigurationError
from monitor.settings_faults import faults_of

ENVIRONMENT_PREFIX: Final = "CARBOYD_"
NESTED: Final = "__"
CONFIG_VARIABLE: Final = "CARBOYD_CONFIG"
SECRETS_VARIABLE: Final = "CARBOYD_SECRETS_DIR"
SYSTEMD_CREDENTIALS_VARIABLE: Final = "CREDENTIALS_DIRECTORY"
OWN_VARIABLES: Final = {CONFIG_VARIABLE, SECRETS_VARIABLE}
EMBEDDED_PORT: Final = 18830
"""Port of the embedded broker: not 1883, so that it never stands in a real broker's way."""


def _topic_filter(text: str) -> str:
    levels = text.split("/")
    if not text or any("#" in level and level != "#" for level in levels) or "#" in levels[:-1]:
        raise ValueError("an MQTT topic filter: '#' alone and last, '+' alone on its level")
    if any("+" in level and level != "+" for level in levels):
        raise ValueError("an MQTT topic filter: '#' alone and last, '+' alone on its level")
    return text


TopicFilter = Annotated[str, StringConstraints(max_length=512), AfterValidator(_topic_filter)]
Name = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,63}$")]
Pointer = Annotated[str, StringConstraints(pattern=r"^(/.*)?$")]


class Section(BaseModel):
    """A table of the file: unknown keys are faults, values are never guessed from another type."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, hide_input_in_errors=True)


class MqttSettings(Section):
    """Where readings come from."""

    broker: Literal["embedded", "external"] = "embedded"
    host: str = Field("127.0.0.1", min_length=1)
    port: int | None = Field(None, ge=1, le=65535)
    tls: bool = False
    ca_file: Path | None = None
    client_certificate_file: Path | None = None
    client_key_file: Path | None = None
    username: str | None = None
    password: SecretStr | None = None
    client_id: Name = "carboyd"
    session_expiry_days: float = Field(14.0, gt=0, le=365)
    keepalive_s: int = Field(60, ge=5, le=3600)
    topics: tuple[TopicFilter, ...] = Field(("carboyd/readings/#",), min_length=1)
    publish_prefix: str = Field("carboyd", pattern=r"^[^+#\s]+$")

    @model_validator(mode="after")
    def _coherent(self) -> MqttSettings:
        if (self.client_certificate_file is None) != (self.client_key_file is None):
            raise ValueError("client_certificate_file and client_key_file go together")
        if not self.tls and (self.ca_file or self.client_certificate_file):
            raise ValueError("certificates are given but tls is false; set tls = true")
        if self.broker == "embedded" and (self.tls or self.username or self.password):
            raise ValueError('tls, username and password belong to broker = "external"')
        for path in (self.ca_file, self.client_certificate_file, self.client_key_file):
            if path is not None and not path.is_file():
                raise ValueError(f"no file at {path}")
        return self

    @property
    def effective_port(self) -> int:
        """The port given, or the usual one of this kind of broker."""
        if self.port is not None:
            return self.port
        if self.broker == "embedded":
            return EMBEDDED_PORT
        return 8883 if self.tls else 1883


class FieldSettings(Section):
    """One value of a JSON object."""

    pointer: Pointer
    quantity: str
    unit: str


class TimeSettings(Section):
    """Where a JSON object says when it was measured."""

    pointer: Pointer
    unit: Literal["rfc3339", "s", "ms", "us"] = "rfc3339"


class ObjectSettings(Section):
    """JSON objects on matching topics: which member is what."""

    topic: TopicFilter
    sensor: str = Field(min_length=1)
    fields: tuple[FieldSettings, ...] = Field(min_length=1)
    time: TimeSettings | None = None


class NumberSettings(Section):
    """A bare number on matching topics."""

    topic: TopicFilter
    sensor: str = Field(min_length=1)
    quantity: str
    unit: str


class StoreSettings(Section):
    """Where everything is kept."""

    url: SecretStr | None = None
    quarantine_rows: int = Field(1_000, ge=10, le=1_000_000)


class ChannelSettings(Section):
    """One place that notices go to; the URL is a secret."""

    name: Name
    url: SecretStr


class NotifySettings(Section):
    """Notices to people."""

    channels: tuple[ChannelSettings, ...] = ()
    repeat_hours: float = Field(24.0, ge=1, le=24 * 14)

    @model_validator(mode="after")
    def _unique(self) -> NotifySettings:
        names = [channel.name for channel in self.channels]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"channel names must differ; given twice: {', '.join(twice)}")
        return self


class DisplaySettings(Section):
    """How numbers are shown."""

    units: Literal["metric", "us"] = "metric"


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
    notify: NotifySettings = NotifySettings()
    display: DisplaySettings = DisplaySettings()

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
        secrets = NestedSecretsSettingsSource(
            file_secret_settings, secrets_prefix="", secrets_nested_delimiter=NESTED
        )
        return env_settings, secrets, init_settings


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
    if secrets_dir and not Path(secrets_dir).is_dir():
        faults.append(
            f"environment: {SECRETS_VARIABLE} = {secrets_dir!r}: no such directory; allowed: a directory"
        )
        secrets_dir = None
    data_dir = Path(platformdirs.user_data_dir("carboyd"))
    try:
        settings = Settings(_secrets_dir=secrets_dir, **values)
    except ValidationError as error:
        faults += faults_of(error, config_file, values, environ, ENVIRONMENT_PREFIX, NESTED)
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
