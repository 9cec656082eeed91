"""What a notice says, and whether it is to be sent at all. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, tzinfo
from enum import StrEnum
from typing import Final

from monitor.batch.sheet import Sheet
from monitor.ferment.emission import AlertKind, AlertState, Severity
from monitor.store.values import Delivery, Occasion, Silence, StoredAlert
from monitor.units import MS_PER_HOUR, datetime_from_ms

LONGEST_TITLE: Final = 120
LONGEST_BODY: Final = 3_000


@dataclass(frozen=True, slots=True)
class Picture:
    """A PNG that goes with a notice where the channel carries one."""

    name: str
    png: bytes


@dataclass(frozen=True, slots=True)
class Notice:
    """Plain text for a person; the title alone says what it is about."""

    title: str
    body: str
    severity: Severity
    pictures: tuple[Picture, ...] = ()


TEST_NOTICE: Final = Notice("A test notice from carboyd", "This channel works.", Severity.NOTE)


@dataclass(frozen=True, slots=True)
class RepeatPolicy:
    """How often an alert is told again that fires and that nobody has acknowledged."""

    act_hours: float = 24.0
    danger_hours: float = 4.0


class Reason(StrEnum):
    """Why a notice is sent, held back or dropped."""

    FIRST = "begins to fire"
    REPEAT = "still fires and nobody has acknowledged it"
    ENDED = "resolved after it was told"
    MISSED = "came and went in the channel's quiet hours"
    SILENCED = "silenced"  # held back until the silence ends
    ACKNOWLEDGED = "acknowledged"
    OVER = "resolved before it could be told"
    NEVER_TOLD = "resolved, but nobody was told that it fired"

    @property
    def sends(self) -> bool:
        """Whether the notice goes out now."""
        return self in (Reason.FIRST, Reason.REPEAT, Reason.ENDED, Reason.MISSED)


@dataclass(frozen=True, slots=True)
class Words:
    """What is said of one batch or sensor, and of several."""

    one: str
    many: str


_BEGUN: Final[dict[AlertKind, Words]] = {
    AlertKind.FINISHED: Words("has finished", "have finished"),
    AlertKind.STALLED: Words("has stalled", "have stalled"),
    AlertKind.REFERMENTING: Words("ferments again", "ferment again"),
    AlertKind.TEMPERATURE_LOW: Words("is too cold", "are too cold"),
    AlertKind.TEMPERATURE_HIGH: Words("is too warm", "are too warm"),
    AlertKind.SENSOR_SILENT: Words("is not heard any more", "are not heard any more"),
    AlertKind.NUTRIENT_DUE: Words("is due for nutrient", "are due for nutrient"),
    AlertKind.INFUSION_DUE: Words("has an infusion to taste", "have an infusion to taste"),
}

_OVER: Final[dict[AlertKind, Words]] = {
    AlertKind.FINISHED: Words("does not count as finished any more", "do not count as finished any more"),
    AlertKind.STALLED: Words("does not count as stalled any more", "do not count as stalled any more"),
    AlertKind.REFERMENTING: Words("does not ferment again any more", "do not ferment again any more"),
    AlertKind.TEMPERATURE_LOW: Words(
        "does not count as too cold any more", "do not count as too cold any more"
    ),
    AlertKind.TEMPERATURE_HIGH: Words(
        "does not count as too warm any more", "do not count as too warm any more"
    ),
    AlertKind.SENSOR_SILENT: Words("is heard again", "are heard again"),
    AlertKind.NUTRIENT_DUE: Words("is not due for nutrient any more", "are not due for nutrient any more"),
    AlertKind.INFUSION_DUE: Words("is past that date of its infusion", "are past that date of an infusion"),
}

_MISSED: Final[dict[AlertKind, Words]] = {
    AlertKind.FINISHED: Words("counted as finished for a while", "counted as finished for a while"),
    AlertKind.STALLED: Words("counted as stalled for a while", "counted as stalled for a while"),
    AlertKind.REFERMENTING: Words("seemed to ferment again", "seemed to ferment again"),
    AlertKind.TEMPERATURE_LOW: Words("was too cold for a while", "were too cold for a while"),
    AlertKind.TEMPERATURE_HIGH: Words("was too warm for a while", "were too warm for a while"),
    AlertKind.SENSOR_SILENT: Words("was not heard for a while", "were not heard for a while"),
    AlertKind.NUTRIENT_DUE: Words("was due for nutrient", "were due for nutrient"),
    AlertKind.INFUSION_DUE: Words("had an infusion to taste", "had an infusion to taste"),
}


def said_of(kind: AlertKind, reason: Reason) -> Words:
    """The verdict in words, for one or for several."""
    return {Reason.ENDED: _OVER, Reason.MISSED: _MISSED}.get(reason, _BEGUN)[kind]


def should_send(
    delivery: Delivery, silences: Sequence[Silence], now_ms: int, *, in_quiet: bool = False
) -> Reason:
    """Whether a delivery that is due is to be sent now; the answer is the reason.

    A danger passes every silence that does not name its kind: only who names it means it. `in_quiet` says
    that the alert began in quiet hours of the channel: if it is over and nobody has seen it, that is told
    all the same, unless it was only good to know.
    """
    alert = delivery.alert
    firing = alert.state is AlertState.FIRING
    if delivery.occasion is Occasion.RESOLVED:
        if not delivery.told:
            return Reason.NEVER_TOLD
    elif not firing:
        return _after_quiet(delivery, silences, now_ms) if in_quiet else Reason.OVER
    elif alert.acknowledged_ms is not None:
        return Reason.ACKNOWLEDGED
    if silenced_until_ms(alert, silences, now_ms) is not None:
        return Reason.SILENCED
    if delivery.occasion is Occasion.RESOLVED:
        return Reason.ENDED
    return Reason.FIRST if delivery.occasion is Occasion.FIRING else Reason.REPEAT


def _after_quiet(delivery: Delivery, silences: Sequence[Silence], now_ms: int) -> Reason:
    alert = delivery.alert
    if delivery.occasion is not Occasion.FIRING or alert.severity is Severity.NOTE:
        return Reason.OVER
    if alert.acknowledged_ms is not None:
        return Reason.ACKNOWLEDGED
    # who asked for silence does not want to hear of what is over
    return Reason.OVER if silenced_until_ms(alert, silences, now_ms) is not None else Reason.MISSED


def silenced_until_ms(alert: StoredAlert, silences: Sequence[Silence], now_ms: int) -> int | None:
    """When the last silence ends that covers the alert now; None where none does."""
    return max((one.until_ms for one in silences if _covers(one, alert, now_ms)), default=None)


def reminder_due_ms(delivery: Delivery, sent_ms: int, policy: RepeatPolicy) -> int | None:
    """When to remind after this notice was sent; None for what is told once."""
    if delivery.occasion is Occasion.RESOLVED or delivery.alert.state is AlertState.RESOLVED:
        return None
    hours = {Severity.DANGER: policy.danger_hours, Severity.ACT: policy.act_hours}.get(
        delivery.alert.severity
    )
    return None if hours is None else sent_ms + round(hours * MS_PER_HOUR)


def notice_of(delivery: Delivery, sheet: Sheet | None, reason: Reason, zone: tzinfo = UTC) -> Notice:
    """The words of a delivery; times are told in `zone`.

    The first line names batch and verdict; then come the cause with its numbers and what to do, since when,
    and how to hush it. Sent twice by accident it does no harm: it says since when, not "now".
    """
    alert = delivery.alert
    name = sheet.name if sheet is not None else alert.batch
    who = f"{name}: {alert.subject}" if alert.subject else name
    since = moment(alert.fired_ms, zone)
    title = f"{who} {said_of(alert.kind, reason).one}"
    ended = "" if alert.resolved_ms is None else f" to {moment(alert.resolved_ms, zone)}"
    if reason is Reason.ENDED:
        lines = [alert.resolved_message, f"The alert stood from {since}{ended}."]
    elif reason is Reason.MISSED:
        lines = [
            f"It is over now. It was so from {since}{ended}, in this channel's quiet hours.",
            f"Then: {alert.message}",
            f"Now: {alert.resolved_message}" if alert.resolved_message else "",
        ]
    else:
        if reason is Reason.REPEAT:
            title = f"{title} (reminder {delivery.turn})"
        if alert.severity is Severity.DANGER:
            title = f"DANGER: {title}"
        lines = [alert.message, f"Since {since}.", f"No more reminders: carboyd acknowledge {alert.id}"]
    body = "\n\n".join(plain(line) for line in lines if line)
    return Notice(plain(title)[:LONGEST_TITLE], body[:LONGEST_BODY], alert.severity)


def moment(time_ms: int, zone: tzinfo) -> str:
    """A time for people, with the name of its zone: a notice may be read in another one."""
    return f"{datetime_from_ms(time_ms).astimezone(zone):%a %Y-%m-%d %H:%M %Z}"


def _covers(silence: Silence, alert: StoredAlert, now_ms: int) -> bool:
    if not silence.from_ms <= now_ms < silence.until_ms:
        return False
    return silence.covers(alert.batch, alert.kind, alert.severity)


def plain(words: str) -> str:
    """Words in one line, whatever a name holds."""
    # a name may hold anything that prints; a line break or control character would change the message's shape
    return "".join(letter if letter.isprintable() else " " for letter in words).strip()
