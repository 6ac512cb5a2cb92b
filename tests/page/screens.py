"""Every page on every screen: a phone and a wall, light and dark, zoomed and printed; how much it weighs, and
whether anything moves by itself.

    screens.py BASE DIRECTORY

BASE is the address of a running `panelwright demo` beside whose map tests/page/hostile.toml lies, DIRECTORY
where screenshots are kept. It prints a line for each task, and ends with 1 if one failed.
"""

import pathlib
import sys

from addresses import HOUSE, PAGES, PANELS
from browser import PHONE, WALL, look_at, run, steady

BASE = sys.argv[1].rstrip("/")
SHOTS = pathlib.Path(sys.argv[2])
# What tells that the script has done its part.
READY = {"setup": "[data-key]", "panel": "[data-channel] data:not(:empty)"}
# A day of seventeen circuits beside the day before is nobody's first view.
HEAVY = {"day": 150_000}


def it_is_light_and_nothing_jumps(browser):
    for what, path in {**PAGES, **PANELS}.items():
        if what == "setup":
            # What comes in while it is open is put below what is there.
            continue
        for size in [PHONE, WALL]:
            weight, shifts = steady(browser, BASE + path, what, size, READY.get(what), HEAVY.get(what, 100_000))
            assert shifts < 0.02, f"{what} at {size['width']}: layout shift {shifts}"
            print(f"   {what} {size['width']}: {weight:,} bytes, shift {shifts:.4f}")


def it_fits_every_screen(browser):
    page = browser.page()
    for what, path in {**PAGES, **PANELS}.items():
        page.goto(BASE + path)
        if what in READY:
            page.wait_for_selector(READY[what])
        look_at(page, SHOTS, what)


def it_is_printed_on_white_paper(browser):
    page = browser.page(color_scheme="dark")
    for what in ["now", "history", "circuit", "panel", "findings"]:
        page.goto(BASE + {**PAGES, **PANELS}[what])
        page.pdf(path=SHOTS / f"{what}.pdf", format="A4")
    page.goto(BASE + HOUSE + "/history")
    page.emulate_media(media="print", color_scheme="dark")
    assert page.locator(".choices").is_hidden() and page.get_by_role("link", name="otherwise").is_hidden()
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"


TASKS = [it_is_light_and_nothing_jumps, it_fits_every_screen, it_is_printed_on_white_paper]

sys.exit(run(TASKS, SHOTS, refused=404, patience_ms=30_000))
