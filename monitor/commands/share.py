"""`carboyd share`: a link by which others may look at one batch, and its end."""

from __future__ import annotations

import secrets
from pathlib import Path

import click

from monitor.commands.context import config_option, local, now_ms, store_options
from monitor.errors import InputError
from monitor.settings import load
from monitor.store.sql import SqlStore
from monitor.web.actions import TOKEN_BYTES, digest


@click.command("share")
@config_option
@click.argument("batch", required=False)
@click.option("--list", "listing", is_flag=True, help="List the links of BATCH instead.")
@click.option("--revoke", "number", type=int, metavar="NUMBER", help="Take link NUMBER back instead.")
def share_command(config: Path | None, batch: str | None, listing: bool, number: int | None) -> None:
    """Make a link by which whoever has it may look at BATCH, and change nothing.

    It is printed this once: only its digest is kept.

    \b
    Examples:
      carboyd share orchard-session
      carboyd share orchard-session --list
      carboyd share --revoke 2
    """
    loaded = load(config)
    at_ms = now_ms()
    with SqlStore(store_options(loaded)) as store:
        if number is not None:
            store.shares.revoke(number, at_ms=at_ms)
            click.echo(f"Link {number} leads nowhere now.")
            return
        if batch is None:
            raise InputError("which batch?", hint="carboyd share BATCH, or carboyd share --revoke NUMBER")
        if listing:
            for share in store.shares.listed(store.batches.get(batch).slug):
                ended = "" if share.revoked_ms is None else f", taken back {local(share.revoked_ms)}"
                click.echo(f"{share.id:>4}  made {local(share.created_ms)}{ended}")
            return
        token = secrets.token_urlsafe(TOKEN_BYTES)
        made = store.shares.make(batch, digest=digest(token), at_ms=at_ms)
    web = loaded.settings.web
    base = web.public_url.rstrip("/") or f"http://{web.host}:{web.port}"
    click.echo(f"{base}/shared/{token}")
    click.echo(f"Take it back: carboyd share --revoke {made.id}", err=True)
