"""Chromium as the distribution has it, driven by Playwright; nothing is downloaded, nothing phones home."""

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Browser, sync_playwright

NAMES = ("chromium", "chromium-browser", "google-chrome")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
MISSING = "no Chromium is installed here (Debian: apt-get install chromium), so no page was looked at"


def chromium_path() -> str | None:
    """Where Chromium is: `CHROMIUM`, or a program of one of its names; None where there is none."""
    return os.environ.get("CHROMIUM") or next((path for name in NAMES if (path := shutil.which(name))), None)


@contextmanager
def chromium() -> Iterator[Browser]:
    """A headless Chromium, ended at the end."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path(), headless=True, args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()
