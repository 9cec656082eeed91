"""A plan on paper: the words of `monitor.cellar.plan_text`, on pages to hang beside the vessel."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, tzinfo
from io import BytesIO
from pathlib import Path
from typing import Final
from xml.sax.saxutils import escape

import matplotlib
from reportlab.lib import colors
from reportlab.lib.pagesizes import A4, letter
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import Flowable, KeepTogether, Paragraph, SimpleDocTemplate, Spacer, Table

from monitor.cellar.caution import Caution
from monitor.cellar.plan_sheet import Amount, Plan, PlanStep
from monitor.cellar.plan_text import in_the_end, shown_amount, shown_days, worded
from monitor.cellar.shown import UnitSystem

_REGULAR: Final = "DejaVuSans"
_BOLD: Final = "DejaVuSans-Bold"
_MARGIN: Final = 18 * mm
_RULE: Final = colors.HexColor("#888888")
_TINT: Final = colors.HexColor("#f4ecd8")

_BODY: Final = ParagraphStyle("body", fontName=_REGULAR, fontSize=9, leading=12, spaceAfter=2 * mm)
_TITLE: Final = ParagraphStyle("title", parent=_BODY, fontName=_BOLD, fontSize=16, leading=20)
_HEADING: Final = ParagraphStyle(
    "heading", parent=_BODY, fontName=_BOLD, fontSize=11, leading=14, spaceBefore=4 * mm, spaceAfter=0
)
_DATE: Final = ParagraphStyle("date", parent=_BODY, textColor=colors.HexColor("#444444"))
_CELL: Final = ParagraphStyle("cell", parent=_BODY, spaceAfter=0)
_CAUTION: Final = ParagraphStyle(
    "caution", parent=_BODY, fontSize=8, leading=10.5, backColor=_TINT, borderPadding=3, spaceAfter=2.5 * mm
)


def _register_fonts() -> None:
    # this font knows nearly every letter of a batch's name; the fonts built into PDF know only Western ones
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name in (_REGULAR, _BOLD):
        pdfmetrics.registerFont(TTFont(name, str(folder / f"{name}.ttf")))


def as_pdf(plan: Plan, system: UnitSystem = UnitSystem.METRIC, zone: tzinfo = UTC) -> bytes:
    """The plan as a PDF, A4 or (US units first) letter; the same plan gives the same bytes."""
    _register_fonts()
    paper = A4 if system is UnitSystem.METRIC else letter
    buffer = BytesIO()
    document = SimpleDocTemplate(
        buffer,
        pagesize=paper,
        leftMargin=_MARGIN,
        rightMargin=_MARGIN,
        topMargin=_MARGIN,
        bottomMargin=_MARGIN,
        title=f"Plan for {plan.name}",
        invariant=True,
    )
    document.build(list(_story(worded(plan, system), system, zone)))
    return buffer.getvalue()


def _story(plan: Plan, system: UnitSystem, zone: tzinfo) -> Iterator[Flowable]:
    yield _paragraph(f"Plan for {plan.name}", _TITLE)
    if plan.foreword:
        yield _paragraph(plan.foreword, _BODY)
    if plan.before_all:
        yield _paragraph(plan.before_all, _CAUTION)
    yield _amounts(plan.facts, system)
    if plan.assumptions:
        yield _paragraph("Taken for granted", _HEADING)
        for text in plan.assumptions:
            yield _paragraph(f"• {text}", _BODY)
    yield Spacer(0, 2 * mm)
    yield _paragraph(in_the_end(plan, system), _BODY)
    yield from _cautions(plan.cautions)
    for number, step in enumerate(plan.steps, start=1):
        yield from _step(number, step, plan.start_ms, system, zone)


def _step(number: int, step: PlanStep, start_ms: int, system: UnitSystem, zone: tzinfo) -> Iterator[Flowable]:
    head: list[Flowable] = [
        _paragraph(f"{number}. {step.title}", _HEADING),
        _paragraph(shown_days(step, start_ms, zone), _DATE),
        *(_paragraph(text, _BODY) for text in step.what),
    ]
    if step.amounts:
        head.append(_amounts(step.amounts, system))
    yield KeepTogether(head)
    yield Spacer(0, 1 * mm)
    yield _paragraph(f"Why: {step.why}", _BODY)
    yield from _cautions(step.cautions)


def _paragraph(text: str, style: ParagraphStyle) -> Flowable:
    return Paragraph(escape(text), style)


def _amounts(amounts: tuple[Amount, ...], system: UnitSystem) -> Flowable:
    rows = [
        [_paragraph(amount.what, _CELL), _paragraph(shown_amount(amount, system), _CELL)]
        for amount in amounts
    ]
    return Table(
        rows,
        colWidths=[70 * mm, 80 * mm],
        hAlign="LEFT",
        style=[
            ("LINEBELOW", (0, 0), (-1, -1), 0.3, _RULE),
            ("TOPPADDING", (0, 0), (-1, -1), 1),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ],
    )


def _cautions(cautions: tuple[Caution, ...]) -> Iterator[Flowable]:
    for caution in cautions:
        name = f'<font name="{_BOLD}">Caution ({escape(caution.hazard.value)}):</font>'
        yield Paragraph(f"{name} {escape(caution.text)}", _CAUTION)
