"""The tables of the configuration file, each checked as a whole, and the parts that they describe."""

from __future__ import annotations

import re
from dataclasses import fields, is_dataclass
from datetime import UTC, time, tzinfo
from pathlib import Path
from typing import Annotated, Any, Final, Literal, cast
from zoneinfo import ZoneInfo

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    FiniteFloat,
    SecretStr,
    StringConstraints,
    create_model,
    model_validator,
)

from monitor.cellar.shown import UnitSystem
from monitor.errors import CarboydError, InputError
from monitor.ferment.alert import AlertPolicy
from monitor.ferment.emission import Severity
from monitor.ferment.verdict import Thresholds
from monitor.hub.discovery import HubPolicy
from monitor.notify.channels import Target
from monitor.notify.digest import DailyAt
from monitor.notify.notice import RepeatPolicy
from monitor.notify.post import CourierPolicy
from monitor.notify.routing import QuietHours, Route
from monitor.sensors.link import Link, Tls
from monitor.sensors.mapping import (
    MappedField,
    MappedNumber,
    MappedObject,
    MappedTime,
    NumberMapping,
    ObjectMapping,
)
from monitor.sensors.payload import NATIVE_TOPICS
from monitor.sensors.topics import topic_filter
from monitor.store.retention import RetentionPolicy
from monitor.units import MS_PER_MINUTE, Quantity
from monitor.web.options import DEFAULT_PORT, WebSettings

EMBEDDED_PORT: Final = 18830
"""Port of the embedded broker: not 1883, so that it never stands in a real broker's way."""
SECONDS_PER_DAY: Final = 86_400
_WEB_ADDRESS: Final = re.compile(r"https?://[^\s\x00-\x1f\x7f]+")


def _topic_filter(text: str) -> str:
    try:
        topic_filter(text)
    except InputError as error:
        raise ValueError(f"an MQTT topic filter: {error.hint}") from error
    return text


def _zone_name(text: str) -> str:
    if text:
        try:
            ZoneInfo(text)
        except (KeyError, ValueError, OSError):
            raise ValueError("a name of the IANA time zone database, such as Etc/UTC") from None
    return text


TopicFilter = Annotated[str, StringConstraints(max_length=512), AfterValidator(_topic_filter)]
ZoneName = Annotated[str, AfterValidator(_zone_name)]
"""Empty where none is set."""
Name = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,63}$")]
Pointer = Annotated[str, StringConstraints(pattern=r"^(/.*)?$")]


class Section(BaseModel):
    """A table of the file: unknown keys are faults; text that says a value counts, as in the environment."""

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
    topics: tuple[TopicFilter, ...] = Field((NATIVE_TOPICS,), min_length=1)
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

    def link(
        self, port: int, login: tuple[str, str] | None = None, call_topics: tuple[str, ...] = ()
    ) -> Link:
        """How the subscriber connects; `login` is the embedded broker's own."""
        password = None if self.password is None else self.password.get_secret_value()
        username, password = login or (self.username, password)
        tls = Tls(self.ca_file, self.client_certificate_file, self.client_key_file) if self.tls else None
        return Link(
            host=self.host,
            port=port,
            client_id=self.client_id,
            topics=self.topics,
            call_topics=call_topics,
            username=username,
            password=password,
            tls=tls,
            protocol="3.1.1" if self.broker == "embedded" else "5",
            keepalive_s=self.keepalive_s,
            session_expiry_s=round(self.session_expiry_days * SECONDS_PER_DAY),
            availability_topic=f"{self.publish_prefix}/daemon/availability",
        )


class FieldSettings(Section):
    """One value of a JSON object."""

    pointer: Pointer
    quantity: Quantity
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

    @model_validator(mode="after")
    def _works(self) -> ObjectSettings:
        _tried(lambda: MappedObject(self.mapping))
        return self

    @property
    def mapping(self) -> ObjectMapping:
        """What the decoder takes."""
        members = tuple(MappedField(field.pointer, field.quantity, field.unit) for field in self.fields)
        time = None if self.time is None else MappedTime(self.time.pointer, self.time.unit)
        return ObjectMapping(self.topic, self.sensor, members, time)


class NumberSettings(Section):
    """A bare number on matching topics."""

    topic: TopicFilter
    sensor: str = Field(min_length=1)
    quantity: Quantity
    unit: str

    @model_validator(mode="after")
    def _works(self) -> NumberSettings:
        _tried(lambda: MappedNumber(self.mapping))
        return self

    @property
    def mapping(self) -> NumberMapping:
        """What the decoder takes."""
        return NumberMapping(self.topic, self.sensor, self.quantity, self.unit)


class StoreSettings(Section):
    """Where everything is kept."""

    url: SecretStr | None = None
    quarantine_rows: int = Field(1_000, ge=10, le=1_000_000)
    keep_raw_days: int | None = Field(None, ge=1, le=36_500)
    keep_raw_days_of_ended: int | None = Field(None, ge=1, le=36_500)

    @property
    def retention(self) -> RetentionPolicy:
        """What becomes of raw readings."""
        return RetentionPolicy(self.keep_raw_days, self.keep_raw_days_of_ended)


TimeOfDay = Annotated[str, StringConstraints(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]


class QuietSettings(Section):
    """Hours of the day, by the clock on the wall."""

    start: TimeOfDay = Field(alias="from")
    until: TimeOfDay

    @model_validator(mode="after")
    def _a_span(self) -> QuietSettings:
        if self.start == self.until:
            raise ValueError("from and until must differ")
        return self


class ChannelSettings(Section):
    """One place that notices go to; the URL is a secret."""

    name: Name
    url: SecretStr
    severities: tuple[Severity, ...] = ()
    batches: tuple[str, ...] = ()
    quiet: QuietSettings | None = None
    pictures: bool = True

    def route(self, zone: str) -> Route:
        """What it takes; `zone` is a name of the IANA time zone database."""
        quiet = None
        if self.quiet is not None:
            start, until = time.fromisoformat(self.quiet.start), time.fromisoformat(self.quiet.until)
            quiet = QuietHours(start, until, ZoneInfo(zone))
        return Route(frozenset(self.severities), frozenset(self.batches), quiet)


class NotifySettings(Section):
    """Notices to people."""

    channels: tuple[ChannelSettings, ...] = ()
    repeat_hours: float = Field(24.0, ge=1, le=24 * 14)
    group_minutes: float = Field(2.0, ge=0, le=60)
    digest_at: TimeOfDay | None = None
    time_zone: ZoneName = ""

    @model_validator(mode="after")
    def _unique(self) -> NotifySettings:
        names = [channel.name for channel in self.channels]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"channel names must differ; given twice: {', '.join(twice)}")
        return self

    @model_validator(mode="after")
    def _quiet_where(self) -> NotifySettings:
        by_clock = self.digest_at is not None or any(one.quiet is not None for one in self.channels)
        if by_clock and not self.time_zone:
            raise ValueError("quiet hours and digest_at need time_zone, an IANA name such as Etc/UTC")
        return self

    @property
    def policy(self) -> CourierPolicy:
        """How patiently notices are delivered."""
        return CourierPolicy(
            repeat=RepeatPolicy(act_hours=self.repeat_hours),
            group_ms=round(self.group_minutes * MS_PER_MINUTE),
        )

    @property
    def zone(self) -> tzinfo:
        """The zone in which notices tell times."""
        return ZoneInfo(self.time_zone) if self.time_zone else UTC

    @property
    def daily(self) -> DailyAt | None:
        """When the digest goes out; None where none is wanted."""
        return None if self.digest_at is None else DailyAt(time.fromisoformat(self.digest_at), self.zone)

    @property
    def targets(self) -> list[Target]:
        """Where each channel leads."""
        return [
            Target(channel.name, channel.url.get_secret_value(), channel.pictures)
            for channel in self.channels
        ]

    @property
    def routes(self) -> dict[str, Route]:
        """What each channel takes, by its name."""
        return {channel.name: channel.route(self.time_zone) for channel in self.channels}


class WebSection(Section):
    """The page."""

    enabled: bool = True
    host: str = "127.0.0.1"
    port: int = Field(DEFAULT_PORT, ge=0, le=65535)
    password_hash: SecretStr | None = None
    tokens: tuple[SecretStr, ...] = ()
    time_zone: ZoneName = ""
    public_url: str = Field("", pattern=r"^(https?://[^\s]+)?$", max_length=512)
    allowed_hosts: tuple[str, ...] = ()
    secure_cookies: bool = False
    session_days: float = Field(30.0, gt=0, le=366)

    @model_validator(mode="after")
    def _safe(self) -> WebSection:
        _tried(self.value("metric").check)
        return self

    def value(self, units: str) -> WebSettings:
        """What the page takes."""
        return WebSettings(
            host=self.host,
            port=self.port,
            password_hash=None if self.password_hash is None else self.password_hash.get_secret_value(),
            tokens=tuple(token.get_secret_value() for token in self.tokens),
            units=UnitSystem(units),
            time_zone=self.time_zone,
            allowed_hosts=self.allowed_hosts,
            secure_cookies=self.secure_cookies,
            session_days=self.session_days,
        )


class HubSection(Section):
    """Discovery of the batches by a home-automation hub."""

    enabled: bool = False
    prefix: str = Field("homeassistant", pattern=r"^[^+#\s]+$")
    birth_topic: str = Field("", pattern=r"^[^+#\s]*$", max_length=512)
    birth_payload: str = Field("online", min_length=1, max_length=200)

    def policy(self, publish_prefix: str) -> HubPolicy | None:
        """What the watch takes; None where it is off."""
        return HubPolicy(self.prefix, publish_prefix) if self.enabled else None

    @property
    def birth_topics(self) -> tuple[str, ...]:
        """Where the hub says that it has started; empty where there is no hub."""
        return (self.birth_topic or f"{self.prefix}/status",) if self.enabled else ()


class HeartbeatSection(Section):
    """A sign of life to an outside address; the address is a secret."""

    url: SecretStr | None = None
    every_minutes: float = Field(5.0, ge=1, le=24 * 60)

    @model_validator(mode="after")
    def _web_address(self) -> HeartbeatSection:
        if self.url is not None and not _WEB_ADDRESS.fullmatch(self.url.get_secret_value()):
            raise ValueError("url must begin with http:// or https:// and hold no blank or control character")
        return self


class DisplaySettings(Section):
    """How numbers are shown."""

    units: Literal["metric", "us"] = "metric"


def _tried(build: Any) -> None:
    """Build a part to see whether it can be; its own error becomes one that checks collect."""
    try:
        build()
    except CarboydError as error:
        raise ValueError(f"{error}; {error.hint}" if error.hint else str(error)) from error


def section_of(kind: type) -> type[BaseModel]:
    """A checked section with a dataclass's own numbers and defaults.

    Numbers must be finite, not negative unless the default is, and no larger than the `most` beside them;
    unknown keys are faults.
    """
    assert is_dataclass(kind)
    members: dict[str, Any] = {}
    standard = kind()
    for member in fields(kind):
        default = getattr(standard, member.name)
        limits = Field(ge=0 if default >= 0 else None, le=member.metadata.get("most"))
        members[member.name] = (Annotated[FiniteFloat, limits], default)
    config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)
    return cast("type[BaseModel]", create_model(kind.__name__, __config__=config, **members))


class ThresholdsSection(section_of(Thresholds)):  # type: ignore[misc]  # made from the dataclass
    """What counts as finished, stalled, going again."""

    def value(self) -> Thresholds:
        """What the verdict takes."""
        return Thresholds(**self.model_dump())


class AlertPolicySection(section_of(AlertPolicy)):  # type: ignore[misc]  # made from the dataclass
    """How long something must hold before it is told."""

    def value(self) -> AlertPolicy:
        """What the alerts take."""
        return AlertPolicy(**self.model_dump())
