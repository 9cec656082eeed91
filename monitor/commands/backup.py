"""`carboyd backup` and `carboyd restore`: a copy of everything, and back."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import click

from monitor.commands.context import config_option, now_ms, store_options
from monitor.errors import InputError
from monitor.settings import Loaded, load
from monitor.store.copying import Copied, checked_copy, dump_server, put_back
from monitor.store.sql import SqlStore
from monitor.units import datetime_from_ms

PREFIX: Final = "carboyd-"
ENDINGS: Final = (".sqlite", ".dump")
"""Of copies of a store in a file, and of one on a server."""


@click.command("backup")
@config_option
@click.argument("target", type=click.Path(path_type=Path))
@click.option(
    "--keep",
    type=click.IntRange(1, 10_000),
    help="In a directory, made if need be: remove all but the newest so many.",
)
def backup_command(config: Path | None, target: Path, keep: int | None) -> None:
    """Write a sound copy of everything to TARGET, a new file or a directory, while carboyd runs.

    The copy is read back and checked before this says that it is there. A store on PostgreSQL is dumped by
    its own pg_dump.
    """
    if keep is not None and (target.is_file() or target.suffix in ENDINGS):
        raise InputError(f"--keep is for a directory of copies, and {target.name} is one copy")
    loaded = load(config)
    server = _on_server(loaded)
    ending = ENDINGS[server]
    if keep is not None:
        try:
            target.mkdir(parents=True, exist_ok=True)
        except OSError as fault:
            raise InputError(f"{target} cannot be made: {fault.strerror}") from fault
    folder = target if target.is_dir() else None
    path = target if folder is None else folder / f"{PREFIX}{_stamp()}{ending}"
    if server:
        dump_server(loaded.store_url, path)
        click.echo(f"{path}: {path.stat().st_size / 1e6:.1f} MB, by pg_dump")
    else:
        with SqlStore(store_options(loaded)) as store:
            store.backup(path)
        click.echo(_words(checked_copy(path)))
    if folder is not None and keep is not None:
        copies = sorted(folder.glob(f"{PREFIX}*{ending}"))
        for old in copies[: max(0, len(copies) - keep)]:
            old.unlink()
            click.echo(f"removed {old}")


@click.command("restore")
@config_option
@click.argument("copy", type=click.Path(path_type=Path))
@click.option("--yes", is_flag=True, help="Do not ask.")
def restore_command(config: Path | None, copy: Path, yes: bool) -> None:
    """Put COPY, made by `carboyd backup`, in the place of the store; stop carboyd first.

    The copy is checked, and the present store is set aside beside it, not deleted. What arrived after the
    copy was made is not in it: the broker has forgotten what was acknowledged since.
    """
    loaded = load(config)
    if _on_server(loaded):
        raise InputError(
            "the store is on PostgreSQL, which restores by its own tool",
            hint=f"stop carboyd, then: pg_restore --clean --if-exists --dbname=... {copy}",
        )
    target = Path(loaded.store_url.removeprefix("sqlite:///"))
    copied = checked_copy(copy)
    click.echo(_words(copied))
    if not yes and not click.confirm(f"Put it in the place of {target}?"):
        raise click.exceptions.Abort
    aside = put_back(copy, target, stamp=f"before-{_stamp()}")
    with SqlStore(store_options(loaded)):  # brings an older copy up to date
        pass
    click.echo(f"Restored {target}, {_held(copied)}.")
    if aside is not None:
        click.echo(f"The store as it was lies at {aside}")


def _on_server(loaded: Loaded) -> bool:
    return not loaded.store_url.startswith("sqlite:")


def _stamp() -> str:
    return datetime_from_ms(now_ms()).strftime("%Y%m%dT%H%M%SZ")


def _words(copied: Copied) -> str:
    return f"{copied.path}: {copied.size_bytes / 1e6:.1f} MB, checked, {_held(copied)}"


def _held(copied: Copied) -> str:
    return f"{copied.batches} batches, {copied.readings} readings"
