"""The command line: every family of commands under one name."""

from __future__ import annotations

import importlib
import sys
from typing import Final

import click

from monitor import __version__
from monitor.errors import CarboydError, ConfigurationError, InputError, NotFoundError

EXIT_FAILED: Final = 1
EXIT_INPUT: Final = 2

FAMILIES: Final[dict[str, str]] = {
    "run": "run",
    "work": "work",
    "demo": "demo",
    "status": "status",
    "batch": "batch",
    "share": "share",
    "plan": "plan",
    "alerts": "alerts",
    "acknowledge": "alerts",
    "silence": "alerts",
    "notice": "alerts",
    "sensors": "sensors",
    "quarantine": "sensors",
    "calibrate": "calibrate",
    "password": "password",
    "backup": "backup",
    "restore": "backup",
    "forward": "forward",
    "export": "records",
    "import": "imports",
    "capture": "capture",
    "truth": "truth",
    "replay": "replay",
    "score": "replay",
    "simulate": "replay",
    "tune": "tune",
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


HEADINGS: Final[dict[str, tuple[str, ...]]] = {
    "Watching": ("run", "demo", "status", "alerts", "password", "forward"),
    "Batches": ("batch", "share", "plan", "sensors", "calibrate"),
    "Recordings": ("records", "imports", "capture", "replay"),
    "Figures": ("gravity", "mixing", "doses", "gas"),
}
"""Where the help page lists the commands of a module."""


class LazyGroup(click.Group):
    """A group that imports a command's module only when the command is wanted: help stays quick."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """All names, in the order of the table above."""
        return [*FAMILIES]

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Commands under headings, so that a page of them can be read."""
        named = {module for modules in HEADINGS.values() for module in modules}
        others = tuple(module for module in FAMILIES.values() if module not in named)
        for heading, modules in (*HEADINGS.items(), ("More", others)):
            names = [name for name, module in FAMILIES.items() if module in modules]
            found = [(name, self.get_command(ctx, name)) for name in names]
            rows = [(name, command.get_short_help_str(60)) for name, command in found if command is not None]
            if rows:
                with formatter.section(heading):
                    formatter.write_dl(rows)

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

    \b
    Environment:
      CARBOYD_CONFIG          the configuration file, where --config is not given
      CARBOYD_SECRETS_DIR     a directory with a file for each secret, such as mqtt__password
      CARBOYD_MQTT__HOST=...  any key of the configuration, which wins over the file
      NO_COLOR                no colours

    \b
    Exit status:
      0  done
      1  it failed: the store or a server could not be reached, a channel refused
      2  wrong input or configuration, or no such batch; every fault is named
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
        # who names a batch that is not there has mistyped, and need not try again as after a failure
        sys.exit(EXIT_INPUT if isinstance(error, InputError | NotFoundError) else EXIT_FAILED)
    except BrokenPipeError:
        sys.stderr.close()  # the reader of our output has gone; nothing more to say to it
        sys.exit(EXIT_FAILED)
    except OSError as error:  # a file or folder that cannot be read or written, named on the command line
        where = f"{error.filename}: " if error.filename is not None else ""
        click.echo(f"carboyd: {where}{error.strerror or error}", err=True)
        sys.exit(EXIT_FAILED)
    sys.exit(status if isinstance(status, int) else 0)


def _say_hint(error: CarboydError) -> None:
    if error.hint:
        click.echo(f"  {error.hint}", err=True)
