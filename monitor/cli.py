"""The command line: every family of commands under one name."""

from __future__ import annotations

import importlib
import sys
from typing import Final

import click

from monitor import __version__
from monitor.errors import CarboydError, ConfigurationError, InputError

EXIT_FAILED: Final = 1
EXIT_INPUT: Final = 2

FAMILIES: Final[dict[str, str]] = {
    "run": "run",
    "demo": "demo",
    "status": "status",
    "batch": "batch",
    "plan": "plan",
    "alerts": "alerts",
    "acknowledge": "alerts",
    "silence": "alerts",
    "sensors": "sensors",
    "quarantine": "sensors",
    "calibrate": "calibrate",
    "password": "password",
    "export": "records",
    "import": "imports",
    "capture": "capture",
    "truth": "truth",
    "replay": "replay",
    "score": "replay",
    "simulate": "replay",
    "density": "gravity",
    "alcohol": "gravity",
    "expect": "gravity",
    "honey": "gravity",
    "must": "mixing",
    "correct": "mixing",
    "sweeten": "mixing",
    "blend": "mixing",
    "dilute": "mixing",
    "nutrient": "doses",
    "sulfite": "doses",
    "sorbate": "doses",
    "acid": "doses",
    "infusion": "doses",
    "keg": "gas",
    "prime": "gas",
    "sealed": "gas",
    "pasteurise": "gas",
}
"""Each command and the module of `monitor.commands` that has it, as `<name>_command`."""


class LazyGroup(click.Group):
    """A group that imports a command's module only when the command is wanted: help stays quick."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """All names, in the order of the table above."""
        return [*FAMILIES]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of that name, or None."""
        if cmd_name not in FAMILIES:
            return None
        module = importlib.import_module(f"monitor.commands.{FAMILIES[cmd_name]}")
        command = getattr(module, f"{cmd_name}_command")
        assert isinstance(command, click.Command)
        return command


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="carboyd")
def carboyd() -> None:
    """Watch small ferments over MQTT, and be told once and in time: finished, stalled, going again.

    Start with `carboyd demo`, which needs nothing, or `carboyd run`, which starts the daemon with its
    own broker and its own store. Every command has its own --help.
    """


def main() -> None:
    """Run a command; what goes wrong is said in one place, with what to do about it."""
    try:
        status = carboyd.main(prog_name="carboyd", standalone_mode=False)
    except click.exceptions.Abort:
        sys.exit(130)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except ConfigurationError as error:
        click.echo("carboyd: the configuration has faults:", err=True)
        for fault in error.faults:
            click.echo(f"  {fault}", err=True)
        _say_hint(error)
        sys.exit(EXIT_INPUT)
    except CarboydError as error:
        click.echo(f"carboyd: {error}", err=True)
        _say_hint(error)
        sys.exit(EXIT_INPUT if isinstance(error, InputError) else EXIT_FAILED)
    except BrokenPipeError:
        sys.stderr.close()  # the reader of our output has gone; nothing more to say to it
        sys.exit(EXIT_FAILED)
    sys.exit(status if isinstance(status, int) else 0)


def _say_hint(error: CarboydError) -> None:
    if error.hint:
        click.echo(f"  {error.hint}", err=True)
