"""`carboyd calibrate`: from angles and gravities to a float's calibration."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from monitor.calibrating import keep_calibration
from monitor.commands.context import config_option, json_option, local, now_ms, opened, print_json, time_ms
from monitor.errors import CalibrationError
from monitor.sensors.calibration import Calibration, fit_calibration, parse_pairs
from monitor.sensors.calibration_picture import calibration_picture, calibration_text


@click.command("calibrate")
@config_option
@json_option
@click.argument("sensor")
@click.argument("pairs", type=click.Path(dir_okay=False, path_type=Path), required=False)
@click.option("--from", "valid_from", metavar="TIME", help="From when it holds; now otherwise.")
@click.option(
    "--degree", type=click.IntRange(1, 3), help="Of the polynomial; chosen by leave-one-out otherwise."
)
@click.option("--picture", type=click.Path(dir_okay=False, path_type=Path), help="Write a .png or .svg here.")
@click.option("--dry-run", is_flag=True, help="Show it, keep nothing.")
@click.option("--show", is_flag=True, help="Show the calibrations that are kept.")
def calibrate_command(
    config: Path | None,
    as_json: bool,
    sensor: str,
    pairs: Path | None,
    valid_from: str | None,
    degree: int | None,
    picture: Path | None,
    dry_run: bool,
    show: bool,
) -> None:
    """Fit and keep how SENSOR's angle tells the gravity.

    PAIRS is a CSV file with an angle in degrees and a gravity on each line (25.3, 1.000); without it they
    are typed, ended by an empty line. Angles from --from on are turned into gravities anew.
    """
    if show:
        _show(config, sensor, as_json)
        return
    if not sensor.strip():
        raise CalibrationError("a calibration needs a sensor's name", hint="carboyd sensors lists them")
    entered_ms = now_ms()
    text = _typed() if pairs is None else _read(pairs)
    degrees = (degree,) if degree is not None else (1, 2, 3)
    calibration = fit_calibration(sensor, parse_pairs(text), time_ms(valid_from, entered_ms), degrees)
    if as_json:
        print_json(calibration.to_dict())
    else:
        _describe(calibration)
    if picture is not None:
        picture.write_bytes(calibration_picture(calibration, "svg" if picture.suffix == ".svg" else "png"))
        click.echo(f"Picture written to {picture}", err=as_json)
    if dry_run:
        click.echo("Nothing was kept.", err=as_json)
        return
    with opened(config) as store:
        known = bool(store.readings.heard([sensor]))
        found = keep_calibration(store, calibration, entered_ms)
    click.echo(
        f"Kept: holds from {local(calibration.valid_from_ms)}; {found.words()}.",
        err=as_json,
    )
    if not known:
        click.echo(f"{sensor} has not been heard yet; carboyd sensors lists those that were.", err=as_json)


def _typed() -> str:
    if sys.stdin.isatty():
        click.echo(
            "An angle in degrees and a gravity on each line, such as: 25.3, 1.000. An empty line ends."
        )
    lines = []
    for line in sys.stdin:
        if not line.strip():
            break
        lines.append(line)
    return "".join(lines)


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise CalibrationError(f"{path} cannot be read: {error}", hint="give a CSV file in UTF-8") from error


def _describe(calibration: Calibration) -> None:
    low, high = calibration.angle_range_deg
    click.echo(
        f"{calibration.sensor}: degree {calibration.degree}, {low:g} to {high:g} degrees, "
        f"residuals {calibration.residual_sd_sg * 1_000:.2f} points (standard deviation)"
    )
    for candidate in calibration.candidates:
        fits = (
            "rises or falls all the way" if candidate.monotonic else "turns back inside the range: not used"
        )
        click.echo(
            f"  degree {candidate.degree}: a pair left out is missed by "
            f"{candidate.left_out_sg * 1_000:.2f} points; {fits}"
        )
    for pair, residual in zip(calibration.pairs, calibration.residuals_sg, strict=True):
        click.echo(
            f"  {pair.angle_deg:7.2f} deg  {pair.gravity_sg:.4f}  off by {residual * 1_000:+.2f} points"
        )
    click.echo(calibration_text(calibration))


def _show(config: Path | None, sensor: str, as_json: bool) -> None:
    with opened(config) as store:
        kept = [Calibration.from_dict(one.document) for one in store.calibrations.listed(sensor)]
    if as_json:
        print_json([one.to_dict() for one in kept])
        return
    for one in kept:
        click.echo(f"From {local(one.valid_from_ms)}:")
        _describe(one)
    if not kept:
        click.echo(f"{sensor} has no calibration.")
