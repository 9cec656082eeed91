"""`carboyd password`: the hash that the configuration holds in place of a password."""

from __future__ import annotations

import click

from monitor.web.signin import hash_password


@click.command("password")
@click.password_option("--password", prompt="Password for the page", help="Asked for where not given.")
def password_command(password: str) -> None:
    """Make the hash of a password for web.password_hash (Argon2id)."""
    click.echo(hash_password(password))
