"""Opens pages in the browser, and holds what it shows to the rules for every view."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from soakmon.texts import texts
from tests.page.served import PASSWORD, ServedBench

PHONE = {"viewport": {"width": 390, "height": 844}, "is_mobile": True, "has_touch": True}
DESK = {"viewport": {"width": 1280, "height": 900}}
SERIOUS = {"serious", "critical"}
# A machine that does other things as well is slow, not wrong.
expect.set_options(timeout=20_000)


def look(page: Page, name: str) -> None:
    """Keep a picture when asked for, and hold the view to the accessibility rules."""
    folder = os.environ.get("SOAKMON_PICTURES")
    if folder:
        Path(folder).mkdir(parents=True, exist_ok=True)
        page.screenshot(path=f"{folder}/{name}.png")
        page.screenshot(path=f"{folder}/{name}-full.png", full_page=True)
    found = Axe().run(page).response["violations"]
    told = [(v["id"], v["help"], v["nodes"][0]["html"]) for v in found if v["impact"] in SERIOUS]
    assert not told, f"{name}: {told}"
    # On a phone innerWidth grows with what is too wide.
    root = page.locator("html")
    wide = root.evaluate("(root) => root.scrollWidth - root.clientWidth")
    assert wide <= 0, f"{name} is {wide} px too wide"


def opened(browser: Browser, bench: ServedBench, size: dict[str, Any], **more: Any) -> Any:
    """A page whose console stays free of errors, but for the calls that fail on purpose."""
    context = browser.new_context(base_url=bench.address, **size, **more)
    page: Any = context.new_page()
    page.set_default_timeout(15_000)
    page.faults = []
    # Whatever else the page fetches are its own files: its views live on the described API alone.
    page.asked = set()
    page.on("request", lambda asked: note(page.asked, bench, asked.url))
    page.on("pageerror", lambda error: page.faults.append(str(error)))
    page.on(
        "console",
        lambda said: page.faults.append(said.text) if "Content Security" in said.text else None,
    )
    return page


def note(asked: set[str], bench: ServedBench, url: str) -> None:
    assert url.startswith((bench.address, "data:")), f"{url} is not of the bench"
    path = url.removeprefix(bench.address).partition("?")[0]
    if not path.startswith("/static/") and path.count("/") > 1:
        asked.add(path)


def by_day(page: Page) -> None:
    page.add_init_script("Date.prototype.getHours = () => 12")


def sign_in(page: Page, words: Mapping[str, str] | None = None) -> None:
    """In the words of a language, English where none are given."""
    words = words or texts()
    page.goto("/sign-in")
    page.get_by_label(words["name"], exact=True).fill("ada")
    page.get_by_label(words["password"], exact=True).fill(PASSWORD)
    page.get_by_role("button", name=words["sign_in"], exact=True).click()
    expect(page.locator("#link")).to_have_text(words["live"])


def go(page: Page, name: str) -> None:
    """To a view by its link, behind the word where it stands there."""
    link = page.get_by_role("navigation").get_by_role("link", name=name, exact=True)
    if not link.is_visible():
        page.locator("#more summary").click()
    link.click()
    expect(page.locator("#link")).to_have_text("Live")
