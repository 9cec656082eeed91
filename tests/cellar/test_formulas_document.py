"""The page of formulas and the code it speaks of."""

from __future__ import annotations

import importlib
import re
from pathlib import Path

import pytest

PAGE = Path(__file__).parents[2] / "monitor" / "cellar" / "FORMULAS.md"
NAMES = sorted(set(re.findall(r"`(monitor\.[\w.]+)`", PAGE.read_text(encoding="utf-8"))))


def test_the_page_names_functions() -> None:
    """The page leads to the code in dozens of places."""
    assert len(NAMES) > 25


@pytest.mark.parametrize("name", NAMES)
def test_every_function_on_the_page_exists(name: str) -> None:
    """Whatever the page names is there, and has a docstring."""
    module, _, attribute = name.rpartition(".")
    assert getattr(importlib.import_module(module), attribute).__doc__
