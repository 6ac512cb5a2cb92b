"""A browser for the tasks of the page tests, and their runner. Chromium is driven by Playwright, and axe-core
(MPL-2.0) looks for barriers."""

import os
import time
import traceback

from axe_playwright_python.base import AXE_SCRIPT
from playwright.sync_api import sync_playwright

PHONE = {"width": 360, "height": 740}
WALL = {"width": 1920, "height": 1080}
# 200 % zoom of a screen of 1280 px leaves 640.
ZOOMED = {"width": 640, "height": 400}
# Bytes that a page may send until it is there, with all that it loads.
FIRST_VIEW = 100_000

# Keeps what moves while nobody does anything: each shift as the Layout Instability API reports it, with what moved,
# and whether a figure of the page was unknown by then. The ranking turns its rows round while one looks at it: it
# is what a ranking is for, and no shift of the page.
SHIFTS = """window.shifts = [];
const nameOf = (node) => {
  const element = node?.nodeType === Node.ELEMENT_NODE ? node : node?.parentElement;
  return element ? element.tagName + (element.id ? "#" + element.id : "") + " " + (element.getAttribute("class") ?? "") : "gone";
};
const isRow = (node) => (node?.nodeType === Node.ELEMENT_NODE ? node : node?.parentElement)?.closest("[data-rank] > li") != null;
new PerformanceObserver((list) => {
  for (const entry of list.getEntries()) {
    if (entry.hadRecentInput || (entry.sources.length && entry.sources.every((one) => isRow(one.node)))) continue;
    const moved = entry.sources.map((one) => `${nameOf(one.node)} ${one.previousRect.y} to ${one.currentRect.y}`);
    shifts.push({ by: entry.value, moved, unknown: document.querySelector("[data-of].unknown") !== null });
  }
}).observe({type: 'layout-shift', buffered: true});"""
# What a page may move by itself, of its height and in all.
STILL = 0.02
# What the page and all that it loads weigh on their way, and unpacked, but for the stream of live figures, which
# does not end.
WEIGHTS = """[...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')]
  .filter((one) => !one.name.includes('/live/')).map((one) => [one.encodedBodySize, one.decodedBodySize])"""


class Browser:
    """A browser that notes every error that a page makes, but for refusals that a task asks for (`refused`:
    the status that they have); it waits `patience_ms` for what is to come."""

    def __init__(self, chromium, refused, patience_ms):
        self.chromium = chromium
        self.refused = f"status of {refused}"
        self.patience_ms = patience_ms
        self.faults = []

    def page(self, **how):
        context = self.chromium.new_context(**{"viewport": WALL, "locale": "en-US", **how})
        page = context.new_page()
        page.set_default_timeout(self.patience_ms)
        page.on("pageerror", lambda error: self.faults.append(f"script: {error}"))
        page.on("dialog", lambda dialog: (self.faults.append(f"dialog: {dialog.message}"), dialog.dismiss()))

        def console(message):
            if message.type == "error" and self.refused not in message.text:
                self.faults.append(f"console: {message.text}")

        page.on("console", console)
        return page


def eventually(check, within_s=90):
    """Does `check` until it asserts nothing that is false any more. Page and interface are asked one after the other:
    a minute that closes between the two, or a machine that stands still, makes them speak of different moments, and
    then they are asked again. What is asserted is not less for it."""
    until = time.monotonic() + within_s
    while True:
        try:
            return check()
        except AssertionError:
            if time.monotonic() > until:
                raise
        time.sleep(0.5)


def fits(page, size, what):
    page.set_viewport_size(size)
    wide = page.evaluate("document.documentElement.scrollWidth")
    assert wide <= size["width"], f"{what} is {wide} px wide at {size['width']}"


def look_at(page, shots, what, sizes=(PHONE, WALL)):
    """What is shown, on a phone and on a wall, light and dark, and zoomed to 200 %: nothing sticks out, nothing
    bars anybody's way, and a picture of each is kept."""
    # Its half a megabyte is read once a page.
    page.evaluate(AXE_SCRIPT)
    for size in sizes:
        for scheme in ["light", "dark"]:
            page.emulate_media(color_scheme=scheme)
            fits(page, size, what)
            page.screenshot(path=shots / f"{what}-{size['width']}-{scheme}.png", full_page=True)
            # Each size and each scheme is searched, which is half of what the four pictures would take: colours
            # are variables that the scheme sets, whatever the size.
            if (size is PHONE) != (scheme == "light"):
                continue
            options = {"resultTypes": ["violations"]}
            found = page.evaluate("async options => (await axe.run(options)).violations", options)
            told = [(one["id"], [node["html"][:160] for node in one["nodes"][:3]]) for one in found]
            assert not told, f"{what} at {size['width']} in {scheme}: {told}"
    page.emulate_media(color_scheme="light")
    if WALL in sizes:
        fits(page, ZOOMED, what)
        page.set_viewport_size(WALL)


def moved(page):
    """How much has moved so far, what, and whether something was unknown when it did."""
    shifts = page.evaluate("window.shifts")
    what = "; ".join(f"{one['by']:.4f}: {', '.join(one['moved'])}" for one in shifts)
    return sum(one["by"] for one in shifts), what, any(one["unknown"] for one in shifts)


def steady(browser, url, what, size, ready=None):
    """A page that is opened for the first time weighs at most 100 kB with all that it needs on its way to the
    browser, and nothing on it moves by itself. Gives the page, and a line of what it weighs.

    On a machine that stood still for seconds the meters were silent that long: figures become unknown, and known
    again, which moves words within their sentences. That is looked at by itself (stall.py); here the page is then
    opened anew."""
    for patience in reversed(range(5)):
        page = browser.page(viewport=size)
        page.add_init_script(SHIFTS)
        page.goto(url)
        if ready:
            page.wait_for_selector(ready)
        page.wait_for_timeout(700)
        sent, unpacked = map(sum, zip(*page.evaluate(WEIGHTS)))
        assert 2_000 < sent <= FIRST_VIEW and sent < unpacked, f"{what}: {sent} bytes sent, {unpacked} unpacked"
        by, which, was_unknown = moved(page)
        if by < STILL or not was_unknown or not patience:
            break
        page.context.close()
    assert by < STILL, f"{what} at {size['width']}: layout shift {by} ({which})"
    return page, f"{what} {size['width']}: {sent:,} bytes, unpacked {unpacked:,}, shift {by:.4f}"


def run(tasks, shots, refused, patience_ms):
    """Does each task, with a line for it; gives 1 if one failed."""
    shots.mkdir(parents=True, exist_ok=True)
    failed = 0
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        browser = Browser(chromium, refused, patience_ms)
        # For whoever works on one of them: ONLY=a_keyboard_is_enough,what_is_not_tracked
        only = os.environ.get("ONLY")
        for task in tasks:
            if only and task.__name__ not in only.split(","):
                continue
            began = time.monotonic()
            try:
                task(browser)
                assert not browser.faults, browser.faults
                print(f"ok {task.__name__} {time.monotonic() - began:.1f} s", flush=True)
            except Exception:
                failed += 1
                print(f"FAILED {task.__name__}\n{traceback.format_exc()}", flush=True)
            for context in chromium.contexts:
                context.close()
            browser.faults.clear()
        chromium.close()
    return 1 if failed else 0
