"""Every page on every screen: a phone and a wall, light and dark, zoomed and printed; how much it weighs, and
whether anything moves by itself.

    screens.py BASE DIRECTORY

BASE is the address of a running `panelwright demo` beside whose map tests/page/hostile.toml lies, DIRECTORY
where screenshots are kept. It prints a line for each task, and ends with 1 if one failed.
"""

import json
import pathlib
import sys
import time
import urllib.request

from addresses import HOUSE, PAGES, PANELS
from browser import PHONE, WALL, fits, look_at, run, steady

BASE = sys.argv[1].rstrip("/")
SHOTS = pathlib.Path(sys.argv[2])
# What the margins of the print leave of a sheet, at 96 px an inch.
A4 = {"width": 688, "height": 1017}
# What tells that the script has done its part.
READY = {"setup": "[data-key]", "panel": "[data-channel] data:not(:empty)"}


def every_meter_is_there():
    """Until the slowest has sent something its circuits are unknown, and the page says so: what comes then moves."""
    until = time.monotonic() + 90
    while True:
        with urllib.request.urlopen(BASE + "/api" + HOUSE + "/now", timeout=20) as answer:
            if not json.load(answer)["unknown"]:
                return
        assert time.monotonic() < until, "some channels stay unknown"
        time.sleep(0.5)


def it_is_light_and_fits_every_screen_and_nothing_jumps(browser):
    every_meter_is_there()
    for what, path in {**PAGES, **PANELS}.items():
        for size in [PHONE, WALL]:
            if what == "setup":
                # What comes in while it is open is put below what is there, which moves.
                page, said = browser.page(viewport=size), f"{what} {size['width']}"
                page.goto(BASE + path)
                page.wait_for_selector(READY[what])
            else:
                page, said = steady(browser, BASE + path, what, size, READY.get(what))
            look_at(page, SHOTS, what, [size])
            page.context.close()
            print(f"   {said}")


def it_is_printed_on_white_paper(browser):
    page = browser.page(color_scheme="dark")
    for what in ["now", "history", "circuit", "panel", "findings"]:
        page.goto(BASE + {**PAGES, **PANELS}[what])
        page.pdf(path=SHOTS / f"{what}.pdf", format="A4")
    page.emulate_media(media="print", color_scheme="dark")
    for what in ["rank", "panel", "day", "circuit", "now", "history"]:
        page.goto(BASE + {**PAGES, **PANELS}[what])
        fits(page, A4, f"{what}, printed,")
    assert page.locator(".choices").is_hidden() and page.get_by_role("link", name="otherwise").is_hidden()
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"


TASKS = [it_is_light_and_fits_every_screen_and_nothing_jumps, it_is_printed_on_white_paper]

sys.exit(run(TASKS, SHOTS, refused=404, patience_ms=60_000))
