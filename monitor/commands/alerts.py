"""`carboyd alerts`, `acknowledge`, `silence`: what fires, and what people say to it."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.commands.context import config_option, json_option, local, now_ms, opened, print_json, span_ms
from monitor.ferment.emission import AlertKind, AlertState
from monitor.store.values import StoredAlert
from monitor.units import rfc3339_from_ms


@click.command("alerts")
@config_option
@json_option
@click.option("--all", "everything", is_flag=True, help="Also what is over.")
@click.option("--batch", help="Only this batch.")
def alerts_command(config: Path | None, as_json: bool, everything: bool, batch: str | None) -> None:
    """List what fires now, the newest first, with its number."""
    with opened(config) as store:
        listed = store.alerts.listed(batch=batch, only_firing=not everything)
        silences = store.alerts.silences(now_ms())
    if as_json:
        print_json([_document(alert) for alert in listed])
        return
    for alert in listed:
        _print_alert(alert)
    for silence in silences:
        of = silence.batch or "every batch"
        what = silence.kind.value.replace("_", " ") if silence.kind else "everything"
        click.echo(f"(silence {silence.id}: {what} of {of}, until {local(silence.until_ms)})")
    if not listed:
        click.echo("No alerts." if everything else "Nothing fires.")


@click.command("acknowledge")
@config_option
@click.argument("number", type=int)
def acknowledge_command(config: Path | None, number: int) -> None:
    """Say that alert NUMBER has been seen: it is not told again."""
    with opened(config) as store:
        alert = store.alerts.acknowledge(number, at_ms=now_ms())
    click.echo(f"Acknowledged {alert.id}: {alert.batch}, {alert.kind.value.replace('_', ' ')}.")


@click.command("silence")
@config_option
@click.option("--for", "span", required=True, metavar="SPAN", help="How long: 30min, 8h, 2d.")
@click.option("--batch", help="Only this batch; otherwise every batch.")
@click.option(
    "--alert", "kind", type=click.Choice([kind.value for kind in AlertKind]), help="Only this kind."
)
@click.option("--note", default="", help="Why.")
def silence_command(config: Path | None, span: str, batch: str | None, kind: str | None, note: str) -> None:
    """Hold notices back for a time. They are still recorded, and the silence ends by itself."""
    from_ms = now_ms()
    with opened(config) as store:
        silence = store.alerts.silence(
            from_ms=from_ms,
            until_ms=from_ms + span_ms(span),
            batch=batch,
            kind=None if kind is None else AlertKind(kind),
            note=note,
        )
    click.echo(f"Silence {silence.id} holds until {local(silence.until_ms)}.")


def _print_alert(alert: StoredAlert) -> None:
    state = alert.state.value if alert.acknowledged_ms is None else f"{alert.state.value}, acknowledged"
    kind = alert.kind.value.replace("_", " ")
    subject = f" ({alert.subject})" if alert.subject else ""
    click.echo(f"{alert.id:>4}  {alert.batch}  {kind}{subject}  [{state}]  since {local(alert.fired_ms)}")
    click.echo(f"      {alert.message}")
    if alert.state is AlertState.RESOLVED:
        click.echo(f"      over since {local(alert.resolved_ms)}: {alert.resolved_message}")


def _document(alert: StoredAlert) -> dict[str, object]:
    def moment(time_ms: int | None) -> str | None:
        return None if time_ms is None else rfc3339_from_ms(time_ms)

    return {
        "id": alert.id,
        "batch": alert.batch,
        "alert": alert.kind.value,
        "subject": alert.subject,
        "severity": alert.severity.value,
        "state": alert.state.value,
        "since": moment(alert.fired_ms),
        "resolved": moment(alert.resolved_ms),
        "acknowledged": moment(alert.acknowledged_ms),
        "message": alert.message,
    }
