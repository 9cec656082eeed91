"""`carboyd sensors` and `carboyd quarantine`: what is heard, and what could not be understood."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence, Set
from pathlib import Path

import click

from monitor.batch.sheet import HAND_PREFIX
from monitor.calibrating import sensors_beyond
from monitor.commands.context import config_option, json_option, local, opened, print_json
from monitor.store.values import Heard
from monitor.units import KEPT_UNIT, Quantity, rfc3339_from_ms


@click.command("sensors")
@config_option
@json_option
@click.option("--unassigned", is_flag=True, help="Only sensors that no open batch names.")
def sensors_command(config: Path | None, as_json: bool, unassigned: bool) -> None:
    """List every sensor with what it measures, its last value and when it was last heard."""
    with opened(config) as store:
        heard = store.readings.unassigned() if unassigned else store.readings.heard()
        owners = store.batches.owners()
        beyond = sensors_beyond(store, heard)
    if as_json:
        print_json(
            [
                {
                    "sensor": one.sensor,
                    "quantity": one.quantity.value,
                    "value": one.last_value,
                    "unit": KEPT_UNIT[one.quantity],
                    "measured": rfc3339_from_ms(one.last_time_ms),
                    "heard": rfc3339_from_ms(one.last_received_ms),
                    "batches": list(_owned_by(one.sensor, owners)),
                    "beyond_calibration": _is_beyond(one, beyond),
                }
                for one in heard
            ]
        )
        return
    for one in heard:
        belongs = ", ".join(_owned_by(one.sensor, owners)) or "no batch"
        quantity = one.quantity.value.replace("_", " ")
        value = f"{one.last_value:.6g} {KEPT_UNIT[one.quantity]}"
        note = "; beyond its calibration" if _is_beyond(one, beyond) else ""
        click.echo(
            f"{one.sensor:<24} {quantity:<20} {value:<16} {local(one.last_received_ms)}  {belongs}{note}"
        )
    if not heard:
        click.echo(
            "No sensor has been heard." if not unassigned else "Every sensor heard belongs to a batch."
        )


def _is_beyond(one: Heard, beyond: Set[str]) -> bool:
    return one.quantity is Quantity.ANGLE and one.sensor in beyond


def _owned_by(sensor: str, owners: Mapping[str, Sequence[str]]) -> Sequence[str]:
    if sensor.startswith(HAND_PREFIX):
        return (sensor.removeprefix(HAND_PREFIX),)
    return owners.get(sensor, ())


@click.command("quarantine")
@config_option
@json_option
@click.option("--kind", help="Only this kind of fault.")
@click.option("--limit", type=click.IntRange(1, 10_000), default=20, show_default=True)
@click.option("--clear", is_flag=True, help="Throw the kept messages away; the counts stay.")
def quarantine_command(config: Path | None, as_json: bool, kind: str | None, limit: int, clear: bool) -> None:
    """Show messages that could not be understood: topic, bytes and reason, the newest first."""
    with opened(config) as store:
        if clear:
            click.echo(f"{store.quarantine.clear()} messages thrown away.")
            return
        counts = store.quarantine.counts()
        kept = store.quarantine.listed(limit, kind=kind)
    if as_json:
        print_json(
            {
                "counts": {count.kind: count.count for count in counts},
                "messages": [
                    {
                        "received": rfc3339_from_ms(one.refused.received_ms),
                        "topic": one.refused.topic,
                        "kind": one.refused.kind,
                        "field": one.refused.field,
                        "reason": one.refused.reason,
                        "payload_base64": base64.b64encode(one.refused.payload).decode(),
                        "payload_bytes": one.payload_bytes,
                    }
                    for one in kept
                ],
            }
        )
        return
    for one in kept:
        refused = one.refused
        click.echo(f"{local(refused.received_ms)}  {refused.topic}  [{refused.kind}]")
        click.echo(f"    {refused.reason}")
        click.echo(f"    {one.payload_bytes} bytes: {_shown(refused.payload)}")
    total = sum(count.count for count in counts)
    kinds = ", ".join(f"{count.count} {count.kind}" for count in counts)
    click.echo(f"{total} refused so far: {kinds}." if total else "Nothing was ever refused.")


def _shown(payload: bytes, most: int = 120) -> str:
    """Printable text as it is, anything else with escapes: a terminal must not obey a message."""
    text = payload[:most].decode("utf-8", "backslashreplace")
    safe = "".join(char if char.isprintable() else char.encode("unicode_escape").decode() for char in text)
    return safe + ("..." if len(payload) > most else "")
