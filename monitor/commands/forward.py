"""`carboyd forward`: how far the copy on the time-series server has come."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from monitor.commands.context import config_option, json_option, local, now_ms, print_json, store_options
from monitor.errors import InputError
from monitor.settings import load
from monitor.store.forwarding import COUNTED
from monitor.store.sql import SqlStore
from monitor.store.values import Feed, ForwardState, SetAside
from monitor.units import MS_PER_HOUR, MS_PER_MINUTE, rfc3339_from_ms


@click.command("forward")
@config_option
@json_option
@click.option("--refused", is_flag=True, help="Show the lines that the server will not have.")
@click.option("--again", is_flag=True, help="Forward everything again, as after the server lost its data.")
def forward_command(config: Path | None, as_json: bool, refused: bool, again: bool) -> None:
    """Show how far readings, levels, phases and alerts have been forwarded, and what waits.

    The running daemon forwards; this only looks. With --again it starts from the beginning: what the
    server has already is overwritten with the same.
    """
    loaded = load(config)
    target = loaded.settings.influx.target
    if target is None:
        raise InputError("nothing is forwarded", hint="set influx.enabled = true, see config/carboyd.toml")
    with SqlStore(store_options(loaded)) as store:
        if again:
            store.forwarding.start_over(target.name)
        state = store.forwarding.state(target.name)
        aside = store.forwarding.set_aside(target.name) if refused else []
    if as_json:
        print_json(_document(state, aside))
        return
    click.echo(f"To {state.target}")
    for line in [lag_words(state, now_ms()), *_lines(state), *_refused(aside)]:
        click.echo(f"  {line}")


def lag_words(state: ForwardState, at_ms: int) -> str:
    """One line: what waits and since when, or that nothing does, and what is in the way."""
    count = sum(state.waiting.values())
    words = "all is forwarded"
    if count:
        many = f"{count}" if count < COUNTED else f"{COUNTED} or more"
        words = f"{many} wait" if count != 1 else "1 waits"
        if state.oldest_ms is not None:
            words += f", the oldest for {_span(at_ms - state.oldest_ms)}"
    if state.set_aside:
        words += f"; {state.set_aside} refused by the server"
    if state.trouble:
        words += f"; not accepted since {local(state.trouble_ms)}: {state.trouble}"
    return words


def _span(span_ms: int) -> str:
    if span_ms < 2 * MS_PER_HOUR:
        return f"{max(0, span_ms) // MS_PER_MINUTE} min"
    hours = span_ms / MS_PER_HOUR
    return f"{hours:.0f} h" if hours < 72 else f"{hours / 24:.0f} days"


def _lines(state: ForwardState) -> list[str]:
    waiting = ", ".join(f"{feed} {state.waiting[feed]}" for feed in Feed)
    return [f"waiting: {waiting}", f"last accepted: {local(state.accepted_ms)}"]


def _refused(aside: list[SetAside]) -> list[str]:
    return [f"{local(one.at_ms)}  {one.reason}\n    {one.line}" for one in aside]


def _document(state: ForwardState, aside: list[SetAside]) -> dict[str, Any]:
    def moment(at_ms: int | None) -> str | None:
        return None if at_ms is None else rfc3339_from_ms(at_ms)

    return {
        "target": state.target,
        "waiting": {str(feed): count for feed, count in state.waiting.items()},
        "oldest_waiting": moment(state.oldest_ms),
        "accepted": moment(state.accepted_ms),
        "trouble": state.trouble,
        "trouble_since": moment(state.trouble_ms),
        "refused": state.set_aside,
        "refused_lines": [
            {"line": one.line, "reason": one.reason, "at": rfc3339_from_ms(one.at_ms)} for one in aside
        ],
    }
