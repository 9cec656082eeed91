"""The sheet of a batch as a form, and back."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.batch.sheet import ATTENUATION, Sheet, Vessel, slug_of
from monitor.errors import InputError
from monitor.ferment.premise import Must, MustKind, Yeast
from monitor.units import US_GAL_L, fahrenheit_from_celsius
from monitor.web.forms import Form
from monitor.web.show import Show


def sheet_of(form: Form, before: Sheet | None = None) -> Sheet:
    """The sheet that a form describes; what it does not ask for stays as it was before.

    Raises InputError naming the field at fault.
    """
    name = form.text("name")
    if not name:
        raise InputError("name is missing: what you call the batch")
    return Sheet(
        slug=before.slug if before else slug_of(name),
        name=name,
        pitched_ms=before.pitched_ms
        if before and not form.text("pitched")
        else form.moment_ms("pitched", "pitched"),
        must=Must(
            kind=form.choice("must_kind", "must", MustKind) if form.text("must_kind") else None,
            original_gravity_sg=form.number_or_none("original_gravity", "original gravity"),
            volume_l=form.litres_or_none("volume", "volume"),
            expected_apparent_attenuation=_attenuation(form),
        ),
        yeast=Yeast(
            temperature_c=_pair(
                "the yeast’s range wants both its lowest and its highest temperature",
                form.celsius_or_none("yeast_low", "yeast’s lowest temperature"),
                form.celsius_or_none("yeast_high", "yeast’s highest temperature"),
            ),
            alcohol_tolerance_abv=form.number_or_none("tolerance", "alcohol tolerance"),
        ),
        vessel=Vessel(
            capacity_l=form.litres_or_none("capacity", "vessel holds"),
            name=before.vessel.name if before else "",
        ),
        gravity_sensor=form.text("gravity_sensor") or None,
        temperature_sensor=form.text("temperature_sensor") or None,
        other_sensors=tuple(form.every("other_sensors")),
        ended_ms=before.ended_ms if before else None,
        recipe=form.text("recipe"),
        sample_ph=form.number_or_none("sample_ph", "pH"),
        sweeten_to_sg=form.number_or_none("sweeten_to", "gravity to sweeten to"),
        carbonation_volumes=form.number_or_none("carbonation", "carbonation"),
    )


def filled(sheet: Sheet | None, show: Show) -> dict[str, str]:
    """What stands in the fields, in the reader's units."""
    if sheet is None:
        return {"pitched": show.form_time(show.now_ms)}

    def plain(value: float | None) -> str:
        return "" if value is None else f"{value:g}"

    def litres(value: float | None) -> str:
        return "" if value is None else f"{value / US_GAL_L if show.us else value:.3g}"

    def warmth(value: float) -> str:
        return f"{fahrenheit_from_celsius(value) if show.us else value:.4g}"

    low_high, attenuation = sheet.yeast.temperature_c, sheet.must.expected_apparent_attenuation
    return {
        "name": sheet.name,
        "recipe": sheet.recipe,
        "must_kind": sheet.must.kind or "",
        "original_gravity": ""
        if sheet.must.original_gravity_sg is None
        else f"{sheet.must.original_gravity_sg:.4f}",
        "attenuation_low": f"{100.0 * attenuation[0]:.8g}" if attenuation else "",
        "attenuation_high": f"{100.0 * attenuation[1]:.8g}" if attenuation else "",
        "volume": litres(sheet.must.volume_l),
        "capacity": litres(sheet.vessel.capacity_l),
        "yeast_low": warmth(low_high[0]) if low_high else "",
        "yeast_high": warmth(low_high[1]) if low_high else "",
        "tolerance": plain(sheet.yeast.alcohol_tolerance_abv),
        "sample_ph": plain(sheet.sample_ph),
        "sweeten_to": "" if sheet.sweeten_to_sg is None else f"{sheet.sweeten_to_sg:.3f}",
        "carbonation": plain(sheet.carbonation_volumes),
        "gravity_sensor": sheet.gravity_sensor or "",
        "temperature_sensor": sheet.temperature_sensor or "",
    }


def choices(heard: Sequence[str], sheet: Sheet | None) -> list[str]:
    """Sensors that can be chosen: those that were heard, and those the sheet names already."""
    named = () if sheet is None else tuple(one for one in sheet.sensors if one != sheet.hand_sensor)
    return sorted({*heard, *named})


def _attenuation(form: Form) -> tuple[float, float] | None:
    percent = _pair(
        "the expected attenuation wants both its lowest and its highest per cent",
        form.number_or_none("attenuation_low", "lowest expected attenuation"),
        form.number_or_none("attenuation_high", "highest expected attenuation"),
    )
    if percent is None:
        return None
    if form.text("no_attenuation"):
        raise InputError("an expected attenuation is given and also refused", hint="leave one of them out")
    least, most = (100.0 * limit for limit in ATTENUATION)
    if not least <= percent[0] <= percent[1] <= most:
        low, high = percent
        raise InputError(
            f"expected attenuation {low:g} to {high:g} %: low before high, within {least:g} to {most:g} %"
        )
    return round(percent[0] / 100.0, 8), round(percent[1] / 100.0, 8)


def _pair(wanted: str, low: float | None, high: float | None) -> tuple[float, float] | None:
    if low is None and high is None:
        return None
    if low is None or high is None:
        raise InputError(wanted)
    return low, high
