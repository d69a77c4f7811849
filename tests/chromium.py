"""The browser that pages and reports are tested in."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Browser, sync_playwright


@contextmanager
def chromium() -> Iterator[Browser]:
    """A headless browser; while it is open, no other event loop can run in this thread."""
    path = shutil.which("chromium")
    assert path is not None, "chromium is missing: bash tests/run brings it"
    with sync_playwright() as playwright:
        # Its sandbox cannot be had by root, as which containers run tests.
        args = ["--no-sandbox"] if os.geteuid() == 0 else []
        launched = playwright.chromium.launch(executable_path=path, args=args)
        yield launched
        launched.close()
