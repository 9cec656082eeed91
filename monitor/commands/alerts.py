"""`carboyd alerts`, `acknowledge`, `silence`, `notice`: what fires, and what people say and hear of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import click

from monitor.cellar.shown import UnitSystem, in_units
from monitor.commands.context import (
    config_option,
    json_option,
    local,
    now_ms,
    opened,
    print_json,
    span_ms,
    store_options,
)
from monitor.errors import DeliveryError, InputError
from monitor.ferment.emission import AlertKind, AlertState
from monitor.ferment.pipeline import Snapshot
from monitor.notices import Teller
from monitor.notify.channels import channels_of
from monitor.notify.notice import TEST_NOTICE, Notice
from monitor.onlooker import Onlooker
from monitor.settings import Loaded, load
from monitor.store.sql import SqlStore
from monitor.store.values import StoredAlert
from monitor.units import rfc3339_from_ms
from monitor.untold import TOLD_SOON, untold


@click.command("alerts")
@config_option
@json_option
@click.option("--all", "everything", is_flag=True, help="Also what is over.")
@click.option("--batch", help="Only this batch.")
def alerts_command(config: Path | None, as_json: bool, everything: bool, batch: str | None) -> None:
    """List what fires now, the newest first, with its number; then what was found late and is told soon.

    \b
    Examples:
      carboyd alerts                    what fires, and which silences hold
      carboyd alerts --all --batch porch
    """
    loaded = load(config)
    units = UnitSystem(loaded.settings.display.units)
    with SqlStore(store_options(loaded)) as store:
        listed = store.alerts.listed(batch=batch, only_firing=not everything)
        silences = store.alerts.silences(now_ms())
        snapshots = Onlooker(store).refreshed()
        worded = _by_now(snapshots, listed)
        waiting = [
            one
            for one in untold(snapshots, store.alerts.listed(batch=batch, only_firing=True))
            if batch in (None, one[0])
        ]
    if as_json:
        print_json([_document(alert, figures_ms) for alert, figures_ms in worded])
        return
    for alert, figures_ms in worded:
        _print_alert(alert, figures_ms, units)
    for silence in silences:
        of = silence.batch or "every batch"
        what = silence.kind.value.replace("_", " ") if silence.kind else "everything"
        click.echo(f"(silence {silence.id}: {what} of {of}, until {local(silence.until_ms)})")
    for slug, found in waiting:
        kind = found.kind.value.replace("_", " ")
        click.echo(f"   -  {slug}  {kind}  [found in a backlog, {TOLD_SOON}]  since {local(found.fired_ms)}")
        click.echo(f"      {in_units(found.message, units)}")
    if not listed and not waiting:
        click.echo("No alerts." if everything else "Nothing fires.")


@click.command("acknowledge")
@config_option
@click.argument("numbers", metavar="NUMBER...", type=int, nargs=-1, required=True)
def acknowledge_command(config: Path | None, numbers: tuple[int, ...]) -> None:
    """Say that each alert NUMBER has been seen: it is not told again."""
    with opened(config) as store:
        for number in numbers:
            store.alerts.get(number)  # one that is not there is found before any is acknowledged
        for number in numbers:
            alert = store.alerts.acknowledge(number, at_ms=now_ms())
            click.echo(f"Acknowledged {alert.id}: {alert.batch}, {alert.kind.value.replace('_', ' ')}.")


@click.command("silence")
@config_option
@click.option("--for", "span", metavar="SPAN", help="How long: 30min, 8h, 2d.")
@click.option("--end", "number", type=int, metavar="NUMBER", help="End silence NUMBER now instead.")
@click.option("--batch", help="Only this batch; otherwise every batch.")
@click.option(
    "--alert", "kind", type=click.Choice([kind.value for kind in AlertKind]), help="Only this kind."
)
@click.option("--note", default="", help="Why.")
def silence_command(
    config: Path | None, span: str | None, number: int | None, batch: str | None, kind: str | None, note: str
) -> None:
    """Hold notices back for a time. They are still recorded, and the silence ends by itself.

    A danger is told all the same, unless --alert names its kind.

    \b
    Examples:
      carboyd silence --for 8h                      everything, for the night
      carboyd silence --for 2d --batch porch --alert temperature_low
      carboyd silence --end 3                       number 3, now
    """
    if (span is None) == (number is None):
        raise InputError("either a length or a number", hint="--for 8h begins a silence, --end 3 ends one")
    from_ms = now_ms()
    with opened(config) as store:
        if number is not None:
            store.alerts.lift(number, at_ms=from_ms)
            click.echo(f"Silence {number} has ended.")
            return
        assert span is not None
        silence = store.alerts.silence(
            from_ms=from_ms,
            until_ms=from_ms + span_ms(span),
            batch=batch,
            kind=None if kind is None else AlertKind(kind),
            note=note,
        )
    click.echo(f"Silence {silence.id} holds until {local(silence.until_ms)}.")


@click.command("notice")
@config_option
@click.option("--channel", metavar="NAME", help="Only this channel; otherwise every one.")
@click.option("--digest", is_flag=True, help="Send the digest of all open batches as it is now.")
def notice_command(config: Path | None, channel: str | None, digest: bool) -> None:
    """Send a test notice to every channel, at once, and say what became of it.

    Status 1 where a channel did not accept it. Quiet hours and silences do not count.

    \b
    Examples:
      carboyd notice                    does every channel work?
      carboyd notice --channel phone --digest
    """
    loaded = load(config)
    targets = [one for one in loaded.settings.notify.targets if channel in (None, one.name)]
    if not targets:
        known = ", ".join(one.name for one in loaded.settings.notify.channels)
        said = f"no such channel; there are: {known}" if known else "no channel is configured"
        raise InputError(said, hint="channels are [[notify.channels]], see config/carboyd.toml")
    notice = _digest(loaded) if digest else TEST_NOTICE
    failed = False
    for one in channels_of(targets):
        try:
            one.send(notice)
            click.echo(f"{one.name}: accepted")
        except DeliveryError as error:
            failed = True
            click.echo(f"{one.name}: {error}")
    if failed:
        click.get_current_context().exit(1)


def _digest(loaded: Loaded) -> Notice:
    settings = loaded.settings
    with SqlStore(store_options(loaded)) as store:
        teller = Teller(
            store,
            dict,
            lambda _slug: (),
            now_ms,
            UnitSystem(settings.display.units),
            settings.notify.zone,
            settings.web.public_url,
        )
        made = teller.digest(frozenset())
    if made is None:
        raise InputError("no batch is open, so there is nothing to tell")
    return made


def _by_now(
    snapshots: Mapping[str, Snapshot], listed: Sequence[StoredAlert]
) -> list[tuple[StoredAlert, int]]:
    """Each alert with the time that its words are of: what fires has those of the batch's last look."""
    found = []
    for alert in listed:
        snapshot = snapshots.get(alert.batch) if alert.state is AlertState.FIRING else None
        words = None if snapshot is None else snapshot.words_of(alert.kind, alert.subject, alert.fired_ms)
        if snapshot is None or words is None:
            found.append((alert, alert.fired_ms))
        else:
            found.append((replace(alert, message=words), snapshot.at_ms))
    return found


def _print_alert(alert: StoredAlert, figures_ms: int, units: UnitSystem) -> None:
    state = alert.state.value if alert.acknowledged_ms is None else f"{alert.state.value}, acknowledged"
    kind = alert.kind.value.replace("_", " ")
    subject = f" ({alert.subject})" if alert.subject else ""
    click.echo(f"{alert.id:>4}  {alert.batch}  {kind}{subject}  [{state}]  since {local(alert.fired_ms)}")
    click.echo(f"      {in_units(alert.message, units)}")
    if alert.state is AlertState.FIRING:
        click.echo(f"      (by the figures of {local(figures_ms)})")
    if alert.state is AlertState.RESOLVED:
        click.echo(f"      over since {local(alert.resolved_ms)}: {alert.resolved_message}")


def _document(alert: StoredAlert, figures_ms: int) -> dict[str, object]:
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
        "figures_of": moment(figures_ms),
    }
