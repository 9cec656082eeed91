"""What tests of several rooms share."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser

CHROMIUM_ARGUMENTS = [
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's Chromium, without a screen; absent, these tests are skipped, but not where all must run.

    For one module only: its event loop would stand in the way of tests that run one of their own.
    """
    # slow to import, and most tests need no browser
    from playwright.sync_api import sync_playwright

    program = shutil.which("chromium")
    if program is None:
        if os.environ.get("CI") == "true":
            pytest.fail("chromium is not installed, and this run must test everything")
        pytest.skip("chromium is not installed (on Debian: apt install chromium)")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=program, args=CHROMIUM_ARGUMENTS)
        yield started
        started.close()
