"""A real browser for the tests that need one: Debian's chromium, without a screen."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed (apt-get install chromium)")


@contextmanager
def chromium_running() -> Iterator[Any]:
    """Playwright's browser; it asks nothing of the network by itself."""
    from playwright.sync_api import sync_playwright
    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path=CHROMIUM, args=[
            "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"])
        yield browser
        browser.close()
