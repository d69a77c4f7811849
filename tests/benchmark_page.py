"""Prints how fast the page is on a slow phone, what 20 open pages cost the sampling, and what an
open page sends in a day.

python -m tests.benchmark_page [--seconds 20] [--visitors 20]
python -m tests.benchmark_page --day [--minutes 5]  # the day's bytes alone, by so many minutes
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
from pathlib import Path
from tempfile import TemporaryDirectory

from playwright.sync_api import Browser, sync_playwright

from tests.page.crowd import jitter
from tests.page.looking import sign_in
from tests.page.served import ServedBench
from tests.page.stood import standing

# A middling phone of some years ago: a quarter of this machine's speed, and the mobile network as
# browsers' own tools call slow (150 ms there and back, 1.6 Mbit/s down, 750 kbit/s up).
CPU_TIMES_SLOWER = 4
LATENCY_MS, DOWN_BYTES_PER_S, UP_BYTES_PER_S = 150, 1.6e6 / 8, 750e3 / 8
VIEWS = ("/", "/curve", "/start", "/jobs", "/soaks", "/trials", "/benches", "/bench")
PAINTED = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime"
BYTES = """[...performance.getEntriesByType('resource'),
  ...performance.getEntriesByType('navigation')].reduce((sum, one) => sum + one.transferSize, 0)"""


def load(browser: Browser, address: str, path: str, *, again: bool) -> tuple[float, float, float]:
    """First paint and usable (live, answering) in s, and kB over the wire; again: seen before."""
    context = browser.new_context(
        base_url=address, viewport={"width": 390, "height": 844}, is_mobile=True
    )
    page = context.new_page()
    sign_in(page)
    if again:
        page.goto(path)
        page.locator("#link.live").wait_for()
    page.goto("about:blank")
    wire = context.new_cdp_session(page)
    wire.send("Network.enable")
    if not again:
        wire.send("Network.clearBrowserCache")
    wire.send(
        "Network.emulateNetworkConditions",
        {
            "offline": False, "latency": LATENCY_MS,
            "downloadThroughput": DOWN_BYTES_PER_S, "uploadThroughput": UP_BYTES_PER_S,
        },
    )  # fmt: skip
    wire.send("Emulation.setCPUThrottlingRate", {"rate": CPU_TIMES_SLOWER})
    page.goto(path, wait_until="commit")
    page.locator("#link.live").wait_for()
    usable_s = page.evaluate("performance.now()") / 1000
    painted_s = page.evaluate(PAINTED) / 1000
    sent_kb = page.evaluate(BYTES) / 1000
    context.close()
    return painted_s, usable_s, sent_kb


def loads() -> None:
    print(f"slow phone: CPU 1/{CPU_TIMES_SLOWER}, {LATENCY_MS} ms, 1.6 Mbit/s; s, s, kB")
    print(f"{'view':10} {'first paint':>11} {'usable':>7} {'bytes':>7}   seen before")
    with TemporaryDirectory() as folder, sync_playwright() as playwright:
        bench = ServedBench(Path(folder), "gasket-weep", 1)
        bench.account("ada")
        args = ["--no-sandbox"] if os.geteuid() == 0 else []
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=args)
        for path in VIEWS:
            first = load(browser, bench.address, path, again=False)
            again = load(browser, bench.address, path, again=True)
            told = "  ".join(f"{value:5.2f}" for value in again)
            line = f"{path:10} {first[0]:11.2f} {first[1]:7.2f} {first[2]:7.1f}"
            print(f"{line}   {told}", flush=True)
        browser.close()
        bench.stop(signal.SIGTERM)


def days(minutes: float) -> None:
    print(f"an open page of a soaking bench, by {minutes:g} min: answers a minute, MB a day")
    with TemporaryDirectory() as folder, sync_playwright() as playwright:
        args = ["--no-sandbox"] if os.geteuid() == 0 else []
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=args)
        with standing(Path(folder), "quiet") as address:
            for path in ("/", "/curve"):
                answers, sent = day(browser, address, path, minutes)
                told = f"{answers / minutes:5.1f} {sent / minutes * 1440 / 1e6:7.1f}"
                print(f"{path:10} {told}", flush=True)
        browser.close()


def day(browser: Browser, address: str, path: str, minutes: float) -> tuple[int, float]:
    """Answers and bytes over the wire, heads too, once the page is there: what goes on all day."""
    context = browser.new_context(base_url=address, viewport={"width": 1280, "height": 900})
    page = context.new_page()
    sign_in(page)
    page.goto(path)
    page.locator("#link.live").wait_for()
    page.wait_for_timeout(5_000)
    sizes: list[float] = []
    wire = context.new_cdp_session(page)
    wire.send("Network.enable")
    wire.on("Network.loadingFinished", lambda done: sizes.append(done["encodedDataLength"]))
    page.wait_for_timeout(60_000 * minutes)
    context.close()
    return len(sizes), sum(sizes)


def crowds(seconds: float, visitors: int) -> None:
    print("lateness of samples, ten a second, in ms: half, 99 of 100, worst; samples")
    for number in (0, visitors):
        with TemporaryDirectory() as folder:
            told = jitter(Path(folder), number, seconds)
        print(f"{number:3} open pages: {told.told()}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--visitors", type=int, default=20)
    parser.add_argument("--day", action="store_true")
    parser.add_argument("--minutes", type=float, default=5.0)
    chosen = parser.parse_args()
    if chosen.day:
        days(chosen.minutes)
        return
    crowds(chosen.seconds, chosen.visitors)
    loads()


if __name__ == "__main__":
    main()
