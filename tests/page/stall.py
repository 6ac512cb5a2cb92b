"""A house that falls silent while one looks at it, and comes back: what is not known is said, and nothing moves
away from under the reader.

    stall.py BASE DIRECTORY FILE

BASE is the address of a daemon with the map of Heron Lane farmhouse, whose meters are silent as long as FILE
exists; DIRECTORY is where screenshots are kept. It prints a line for each task, and ends with 1 if one failed.
"""

import json
import pathlib
import sys
import time
import urllib.error
import urllib.request

from addresses import HOUSE
from browser import PHONE, SHIFTS, STILL, WALL, eventually, moved, run

BASE = sys.argv[1].rstrip("/")
SHOTS = pathlib.Path(sys.argv[2])
SILENT = pathlib.Path(sys.argv[3])
# A pad upright, and a laptop.
PAD = {"width": 768, "height": 1024}
LAPTOP = {"width": 1280, "height": 720}
# Where what one reads stands: the tops of headings, bars, tables and boards.
PLACES = """[...document.querySelectorAll("h1:not(.unseen), h2, h3, .lead, .strip, table, [data-rank], .board, .ct, .foot")]
  .map((one) => Math.round(one.getBoundingClientRect().top + scrollY))"""
CIRCUIT = HOUSE + "/circuits/refrigerator"


def unknown():
    try:
        with urllib.request.urlopen(BASE + "/api" + HOUSE + "/now", timeout=20) as answer:
            return json.load(answer)["unknown"]
    except urllib.error.HTTPError as error:
        # There are no figures yet.
        assert error.code == 503, error
        return ["all"]


def well():
    """The page as the server makes it where nothing is wrong."""
    with urllib.request.urlopen(BASE + HOUSE, timeout=20) as answer:
        text = answer.read().decode()
    assert '<p class="well">' in text
    return text


def the_meters(speak):
    SILENT.unlink(missing_ok=True) if speak else SILENT.touch()
    until = time.monotonic() + 60
    while bool(unknown()) == speak:
        assert time.monotonic() < until, f"meters that {'speak' if speak else 'are silent'} make no difference"
        time.sleep(0.2)


def opened(browser):
    """Every live page in every size, with figures that are all known."""
    the_meters(speak=True)
    pages = []
    for path in [HOUSE, HOUSE + "/panel", CIRCUIT]:
        for size in [PHONE, PAD, LAPTOP, WALL]:
            page = browser.page(viewport=size)
            page.add_init_script(SHIFTS)
            page.goto(BASE + path)
            pages.append((f"{path} at {size['width']}", page))
    for what, page in pages:
        page.wait_for_function("() => document.querySelector('[data-of]') && !document.querySelector('[data-of].unknown')")
        if path_of(page) == HOUSE:
            page.get_by_text("Nothing is wrong that can be seen from here").wait_for()
        page.evaluate("window.shifts.length = 0")
    return pages


def path_of(page):
    return page.evaluate("location.pathname")


def places_stay(pages, before, when):
    for what, page in pages:
        now = page.evaluate(PLACES)
        assert now == before[what], f"{what}, {when}: {before[what]} became {now}"


def become(pages, figures, words, open_bars):
    """Waits until every page shows these figures, and Now these words."""
    for what, page in pages:
        page.wait_for_function(figures)
        if path_of(page) == HOUSE:
            page.get_by_text(words).wait_for()
            assert page.locator("[data-open]:visible").count() == open_bars


def pictures(pages, name):
    """Of Now, which comes first, in every size."""
    for what, page in pages[:4]:
        page.screenshot(path=SHOTS / f"{name}-{page.viewport_size['width']}.png", full_page=True)


def silence_moves_nothing(browser):
    pages = opened(browser)
    before = {what: page.evaluate(PLACES) for what, page in pages}
    pictures(pages, "sunny")
    the_meters(speak=False)
    none = "() => document.querySelector('[data-of^=circuits].unknown') && !document.querySelector('[data-of^=circuits]:not(.unknown)')"
    become(pages, none, "Some channels are silent", open_bars=2)
    for what, page in pages:
        assert path_of(page) != HOUSE or page.locator(".key .unknown").count() > 8, what
    places_stay(pages, before, "silent")
    pictures(pages, "silent")
    the_meters(speak=True)
    become(pages, "() => !document.querySelector('[data-of].unknown')", "Nothing is wrong that can be seen from here", open_bars=0)
    places_stay(pages, before, "back again")
    for what, page in pages:
        by, which, _ = moved(page)
        # Words move in their sentence, there and back.
        assert by < STILL, f"{what}: layout shift {by} ({which})"
        print(f"   {what}: shift {by:.4f}")


def more_than_there_is_room_for_is_scrolled(browser):
    """Findings that come while one reads, and are too long for the place they have, leave the rest where it is."""
    the_meters(speak=True)
    for size in [PHONE, WALL]:
        page = browser.page(viewport=size)
        page.add_init_script(SHIFTS)
        page.goto(BASE + HOUSE)
        page.wait_for_function("() => !document.querySelector('[data-of].unknown')")
        page.get_by_text("Nothing is wrong that can be seen from here").wait_for()
        text = eventually(well)
        start = text.index('<p class="well">')
        end = text.index("</section>", start)
        long = "".join(f'<li class="alarm"><strong>Alarm.</strong> Number {n} of what is wrong, with words enough for two lines of a phone and more.</li>' for n in range(6))
        page.route("**" + HOUSE, lambda route: route.fulfill(content_type="text/html", body=text[:start] + f"<ul>{long}</ul>" + text[end:]))
        before = page.evaluate(PLACES)
        page.evaluate("window.shifts.length = 0")
        the_meters(speak=False)
        page.get_by_text("Number 5 of what is wrong").wait_for()
        assert page.evaluate(PLACES) == before
        by, which, _ = moved(page)
        assert by < STILL, f"at {size['width']}: layout shift {by} ({which})"
        # Whoever has no pointer reads it too.
        page.locator("#wrong").focus()
        page.keyboard.press("End")
        page.wait_for_function("() => { const one = document.querySelector('#wrong'); return one.scrollTop + one.clientHeight >= one.scrollHeight - 1; }")
        # At another width it takes the room that it needs.
        page.set_viewport_size({**size, "width": size["width"] + 40})
        page.wait_for_function("() => { const one = document.querySelector('#wrong'); return one.scrollHeight <= one.clientHeight + 1; }")
        the_meters(speak=True)


def whatever_the_machine_does(task):
    """A machine that stands still for seconds makes silences of its own, and what words move in each adds up: then
    the task is done again. What the page moves by itself it moves each time."""

    def done(browser):
        for patience in [2, 1, 0]:
            try:
                return task(browser)
            except AssertionError:
                if not patience:
                    raise

    done.__name__ = task.__name__
    return done


TASKS = [whatever_the_machine_does(task) for task in [silence_moves_nothing, more_than_there_is_room_for_is_scrolled]]

sys.exit(run(TASKS, SHOTS, refused=404, patience_ms=60_000))
