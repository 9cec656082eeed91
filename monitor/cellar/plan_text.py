"""A plan as plain text and as Markdown: the same words in both, every caution with its step.

Days become dates in the zone that is asked for; both renderers are functions of the plan alone.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import UTC, tzinfo
from typing import Final

from monitor.cellar.caution import Caution
from monitor.cellar.plan_sheet import Amount, AmountKind, Plan, PlanStep
from monitor.cellar.shown import (
    UnitSystem,
    in_units,
    show_mass,
    show_pressure,
    show_temperature,
    show_volume,
)
from monitor.units import MS_PER_DAY, datetime_from_ms

WIDTH: Final = 80


def shown_amount(amount: Amount, system: UnitSystem = UnitSystem.METRIC) -> str:
    """The figure with its unit, metric and US where they differ."""
    value = amount.value
    if amount.kind is AmountKind.MASS:
        return show_mass(value, system)
    if amount.kind is AmountKind.VOLUME:
        return show_volume(value, system)
    if amount.kind is AmountKind.PRESSURE:
        return show_pressure(value, system)
    if amount.kind is AmountKind.TEMPERATURE:
        return show_temperature(value, system)
    plain = {
        AmountKind.GRAVITY: f"{value:.3f}",
        AmountKind.CONCENTRATION: f"{value:.0f} mg/L",
        AmountKind.STRENGTH: f"{value:.1f} % by volume",
        AmountKind.MINUTES: f"{value:.0f} minutes",
        AmountKind.NUMBER: f"{value:g}",
    }
    return plain[amount.kind]


def worded(plan: Plan, system: UnitSystem) -> Plan:
    """The plan with the numbers inside its sentences in these units; its amounts stay as they are."""

    def told(texts: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(in_units(text, system) for text in texts)

    def heeded(cautions: tuple[Caution, ...]) -> tuple[Caution, ...]:
        return tuple(replace(caution, text=in_units(caution.text, system)) for caution in cautions)

    def named(amounts: tuple[Amount, ...]) -> tuple[Amount, ...]:
        return tuple(replace(amount, what=in_units(amount.what, system)) for amount in amounts)

    steps = tuple(
        replace(
            step,
            title=in_units(step.title, system),
            what=told(step.what),
            amounts=named(step.amounts),
            why=in_units(step.why, system),
            cautions=heeded(step.cautions),
        )
        for step in plan.steps
    )
    return replace(plan, assumptions=told(plan.assumptions), cautions=heeded(plan.cautions), steps=steps)


def shown_date(time_ms: int, zone: tzinfo = UTC) -> str:
    """`Thursday 12 March 2026`."""
    moment = datetime_from_ms(time_ms).astimezone(zone)
    return f"{moment:%A} {moment.day} {moment:%B %Y}"


def shown_days(step: PlanStep, start_ms: int, zone: tzinfo = UTC) -> str:
    """`Day 3, Thursday 12 March 2026`, or both ends of a window."""

    def date(day: float) -> str:
        return shown_date(start_ms + round(day * MS_PER_DAY), zone)

    if step.until_day is None:
        return f"Day {step.day:g}, {date(step.day)}"
    return f"Day {step.day:g} to {step.until_day:g}, {date(step.day)} to {date(step.until_day)}"


def _caution(caution: Caution) -> str:
    return f"Caution ({caution.hazard.value}): {caution.text}"


def in_the_end(plan: Plan, system: UnitSystem) -> str:
    volume = show_volume(plan.end_volume_l, system)
    return f"In the end: {volume} at {plan.end_sg:.3f}, about {plan.end_abv:.1f} % alcohol by volume."


def as_text(plan: Plan, system: UnitSystem = UnitSystem.METRIC, zone: tzinfo = UTC) -> str:
    """Plain text, 80 columns, that prints as it is."""
    plan = worded(plan, system)
    lines = [f"Plan for {plan.name}", "=" * min(WIDTH, len(f"Plan for {plan.name}")), ""]
    if plan.foreword:
        lines += [*_wrapped([plan.foreword]), ""]
    if plan.before_all:
        lines += [*_wrapped([plan.before_all], "! "), ""]
    lines += ["Worked out from:", *_listed(plan.facts, system)]
    if plan.assumptions:
        lines += ["", "Taken for granted:", *_wrapped(plan.assumptions, "- ")]
    lines += ["", *_wrapped([in_the_end(plan, system)])]
    lines += ["", *_wrapped([_caution(caution) for caution in plan.cautions], "! ")]
    for number, step in enumerate(plan.steps, start=1):
        lines += ["", f"{number}. {step.title}", f"   {shown_days(step, plan.start_ms, zone)}", ""]
        lines += _wrapped(step.what, indent="   ")
        if step.amounts:
            lines += ["", *_listed(step.amounts, system, indent="   ")]
        lines += ["", *_wrapped([f"Why: {step.why}"], indent="   ")]
        lines += _wrapped([_caution(caution) for caution in step.cautions], "! ", indent="   ")
    return "\n".join(lines) + "\n"


def _wrapped(texts: Iterable[str], mark: str = "", indent: str = "") -> Iterator[str]:
    for text in texts:
        yield from textwrap.wrap(
            text,
            WIDTH,
            initial_indent=indent + mark,
            subsequent_indent=indent + " " * len(mark),
            break_on_hyphens=False,
        )


def _listed(amounts: tuple[Amount, ...], system: UnitSystem, indent: str = "") -> Iterator[str]:
    widest = max(len(amount.what) for amount in amounts)
    for amount in amounts:
        yield f"{indent}  {amount.what.ljust(widest)}  {shown_amount(amount, system)}"


_MARKDOWN: Final = str.maketrans({char: "\\" + char for char in "\\`*_[]<>#|"})


def _escaped(text: str) -> str:
    return text.translate(_MARKDOWN)


def as_markdown(plan: Plan, system: UnitSystem = UnitSystem.METRIC, zone: tzinfo = UTC) -> str:
    """Markdown: a heading and a table of amounts for each step, cautions as quotations."""
    plan = worded(plan, system)
    lines = [f"# Plan for {_escaped(plan.name)}", ""]
    if plan.foreword:
        lines += [_escaped(plan.foreword), ""]
    if plan.before_all:
        lines += [f"**{_escaped(plan.before_all)}**", ""]
    lines += _table(plan.facts, system)
    if plan.assumptions:
        lines += ["", "Taken for granted:", ""]
        lines += [f"- {_escaped(text)}" for text in plan.assumptions]
    lines += ["", _escaped(in_the_end(plan, system)), *_quoted(plan.cautions)]
    for number, step in enumerate(plan.steps, start=1):
        lines += ["", f"## {number}. {_escaped(step.title)}", ""]
        lines += [f"*{_escaped(shown_days(step, plan.start_ms, zone))}*", ""]
        lines += [f"- {_escaped(text)}" for text in step.what]
        if step.amounts:
            lines += ["", *_table(step.amounts, system)]
        lines += ["", f"Why: {_escaped(step.why)}", *_quoted(step.cautions)]
    return "\n".join(lines) + "\n"


def _table(amounts: tuple[Amount, ...], system: UnitSystem) -> Iterator[str]:
    yield "| what | how much |"
    yield "| --- | --- |"
    for amount in amounts:
        yield f"| {_escaped(amount.what)} | {_escaped(shown_amount(amount, system))} |"


def _quoted(cautions: tuple[Caution, ...]) -> Iterator[str]:
    for caution in cautions:
        yield ""
        yield f"> **Caution ({caution.hazard.value}):** {_escaped(caution.text)}"
