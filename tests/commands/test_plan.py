"""The plan of a kept batch, by command."""

from __future__ import annotations

import pytest

from monitor.errors import InputError


@pytest.fixture
def finished(carboyd_command):
    """A batch with a fresh hand sample."""
    carboyd_command(
        "batch", "start", "Porch", "--kind", "honey", "--original-gravity", "1.040", "--volume", "18L",
        "--capacity", "20L", "--ph", "3.4", "--pitched", "14d ago",
    )  # fmt: skip
    carboyd_command("batch", "sample", "porch", "0.998")


def test_the_plan_uses_the_batchs_own_numbers(carboyd_command, finished):
    """18.0 L at 0.998 to 1.010: 691 g of honey by the mass balance (worked example, ternary density)."""
    shown = carboyd_command("plan", "porch", "--sweeten-to", "1.010").output
    assert "18.0 L" in shown
    assert "0.998" in shown
    assert "691 g" in shown
    assert "Caution" in shown


def test_the_plan_is_written_as_markdown_and_pdf(carboyd_command, finished, tmp_path):
    """Markdown has a heading, a PDF is a PDF."""
    markdown, pdf = tmp_path / "plan.md", tmp_path / "plan.pdf"
    assert carboyd_command("plan", "porch", "--format", "markdown", "--output", str(markdown)).exit_code == 0
    assert markdown.read_text().startswith("# Plan for Porch")
    assert carboyd_command("plan", "porch", "--format", "pdf", "--output", str(pdf)).exit_code == 0
    assert pdf.read_bytes().startswith(b"%PDF-")


def test_a_target_below_the_present_gravity_is_refused(carboyd_command, finished):
    """Honey cannot make it drier."""
    done = carboyd_command("plan", "porch", "--sweeten-to", "0.990")
    assert isinstance(done.exception, InputError)
    assert "0.9980" in str(done.exception)


def test_without_a_volume_there_is_no_plan(carboyd_command):
    """The error says what to write on the sheet."""
    carboyd_command("batch", "start", "Bare", "--pitched", "14d ago")
    carboyd_command("batch", "sample", "bare", "0.998")
    done = carboyd_command("plan", "bare")
    assert isinstance(done.exception, InputError)
    assert "volume" in str(done.exception)
