"""What a notice says, and whether it is to be sent at all. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from monitor.batch.sheet import Sheet
from monitor.ferment.emission import AlertKind, AlertState, Severity
from monitor.store.values import Delivery, Occasion, Silence, StoredAlert
from monitor.units import MS_PER_HOUR, rfc3339_from_ms

LONGEST_TITLE: Final = 120
LONGEST_BODY: Final = 3_000


@dataclass(frozen=True, slots=True)
class Notice:
    """Plain text for a person; the title alone says what it is about."""

    title: str
    body: str
    severity: Severity


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
    SILENCED = "silenced"  # held back until the silence ends
    ACKNOWLEDGED = "acknowledged"
    OVER = "resolved before it could be told"
    NEVER_TOLD = "resolved, but nobody was told that it fired"

    @property
    def sends(self) -> bool:
        """Whether the notice goes out now."""
        return self in (Reason.FIRST, Reason.REPEAT, Reason.ENDED)


_WORDS: Final[dict[AlertKind, str]] = {
    AlertKind.FINISHED: "has finished",
    AlertKind.STALLED: "has stalled",
    AlertKind.REFERMENTING: "ferments again",
    AlertKind.TEMPERATURE_LOW: "is too cold",
    AlertKind.TEMPERATURE_HIGH: "is too warm",
    AlertKind.SENSOR_SILENT: "is not heard any more",
    AlertKind.NUTRIENT_DUE: "is due for nutrient",
    AlertKind.INFUSION_DUE: "has an infusion to taste",
}

_OVER_WORDS: Final[dict[AlertKind, str]] = {
    AlertKind.FINISHED: "does not count as finished any more",
    AlertKind.STALLED: "does not count as stalled any more",
    AlertKind.REFERMENTING: "does not ferment again any more",
    AlertKind.TEMPERATURE_LOW: "is warm enough again",
    AlertKind.TEMPERATURE_HIGH: "is cool enough again",
    AlertKind.SENSOR_SILENT: "is heard again",
    AlertKind.NUTRIENT_DUE: "is not due for nutrient any more",
    AlertKind.INFUSION_DUE: "has no infusion to taste any more",
}


def should_send(delivery: Delivery, silences: Sequence[Silence], now_ms: int) -> Reason:
    """Whether a delivery that is due is to be sent now; the answer is the reason.

    A danger passes every silence that does not name its kind: only who names it means it.
    """
    alert = delivery.alert
    firing = alert.state is AlertState.FIRING
    if delivery.occasion is Occasion.RESOLVED:
        if not delivery.told:
            return Reason.NEVER_TOLD
    elif not firing:
        return Reason.OVER
    elif alert.acknowledged_ms is not None:
        return Reason.ACKNOWLEDGED
    if silenced_until_ms(alert, silences, now_ms) is not None:
        return Reason.SILENCED
    if delivery.occasion is Occasion.RESOLVED:
        return Reason.ENDED
    return Reason.FIRST if delivery.occasion is Occasion.FIRING else Reason.REPEAT


def silenced_until_ms(alert: StoredAlert, silences: Sequence[Silence], now_ms: int) -> int | None:
    """When the last silence ends that covers the alert now; None where none does."""
    return max((one.until_ms for one in silences if _covers(one, alert, now_ms)), default=None)


def reminder_due_ms(delivery: Delivery, sent_ms: int, policy: RepeatPolicy) -> int | None:
    """When to remind after this notice was sent; None for what is told once."""
    if delivery.occasion is Occasion.RESOLVED:
        return None
    hours = {Severity.DANGER: policy.danger_hours, Severity.ACT: policy.act_hours}.get(
        delivery.alert.severity
    )
    return None if hours is None else sent_ms + round(hours * MS_PER_HOUR)


def notice_of(delivery: Delivery, sheet: Sheet | None) -> Notice:
    """The words of a delivery.

    The first line names batch and verdict; then come the reason with its numbers and what to do, since when,
    and how to hush it. Sent twice by accident it does no harm: it says since when, not "now".
    """
    alert = delivery.alert
    name = sheet.name if sheet is not None else alert.batch
    who = f"{name}: {alert.subject}" if alert.subject else name
    since = rfc3339_from_ms(alert.fired_ms)
    if delivery.occasion is Occasion.RESOLVED:
        title = f"{who} {_OVER_WORDS[alert.kind]}"
        ended = "" if alert.resolved_ms is None else f" to {rfc3339_from_ms(alert.resolved_ms)}"
        lines = [alert.resolved_message, f"The alert stood from {since}{ended}."]
    else:
        title = f"{who} {_WORDS[alert.kind]}"
        if delivery.occasion is Occasion.REMINDER:
            title = f"{title} (reminder {delivery.turn})"
        if alert.severity is Severity.DANGER:
            title = f"DANGER: {title}"
        lines = [
            alert.message,
            f"Since {since}.",
            f"No more reminders: carboyd acknowledge {alert.id}",
        ]
    body = "\n\n".join(_plain(line) for line in lines if line)
    return Notice(_plain(title)[:LONGEST_TITLE], body[:LONGEST_BODY], alert.severity)


def _covers(silence: Silence, alert: StoredAlert, now_ms: int) -> bool:
    if not silence.from_ms <= now_ms < silence.until_ms:
        return False
    if silence.batch is not None and silence.batch != alert.batch:
        return False
    if silence.kind is None:
        return alert.severity is not Severity.DANGER
    return silence.kind is alert.kind


def _plain(words: str) -> str:
    # a name may hold anything that prints; a line break or control character would change the message's shape
    return "".join(letter if letter.isprintable() else " " for letter in words).strip()
