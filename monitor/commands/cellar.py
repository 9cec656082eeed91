"""The calculators, one command each: from must to keg. All print their cautions, all speak JSON."""

from __future__ import annotations

from typing import Final

import click

from monitor.commands import doses, gas, gravity, mixing

COMMANDS: Final[tuple[click.Command, ...]] = (
    *gravity.COMMANDS,
    *mixing.COMMANDS,
    *doses.COMMANDS,
    *gas.COMMANDS,
)
