"""`carboyd work`: a process that shares the judging."""

from __future__ import annotations

import logging
import signal
import sys
from pathlib import Path

import click

from monitor import __version__
from monitor.commands.context import config_option
from monitor.settings import load
from monitor.supervision import Supervisor
from monitor.work import Work


@click.command("work")
@config_option
@click.option("-v", "--verbose", is_flag=True, help="Log more.")
def work_command(config: Path | None, verbose: bool) -> int:
    """Share the judging of batches with the daemon and with others like this.

    Needs PostgreSQL and the daemon's own configuration. Start as many as there are cores; each judges its
    share, and when one dies the others take its batches over within half a minute.
    """
    logging.basicConfig(
        level=logging.DEBUG if verbose else logging.INFO,
        format="%(asctime)s %(levelname)s %(name)s: %(message)s",
        stream=sys.stderr,
    )
    for noisy in ("sqlalchemy", "alembic"):
        logging.getLogger(noisy).setLevel(logging.WARNING)
    work = Work(load(config))
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _received, _frame: work.stop())
    click.echo(f"carboyd {__version__} judges as {work.shift.name}; data lies in {work.store.location}")
    work.run(Supervisor.of())
    return 0
