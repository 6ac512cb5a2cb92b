"""The pages in a real browser, each task done as a person would do it.

    pages.py BASE DIRECTORY

BASE is the address of a running `panelwright demo` beside whose map tests/page/hostile.toml lies, DIRECTORY
where screenshots are kept. Chromium is driven by Playwright; axe-core (MPL-2.0) looks for barriers. It
prints a line for each task, and ends with 1 if one failed.
"""

import decimal
import json
import pathlib
import re
import sys
import time
import urllib.request

from axe_playwright_python.sync_playwright import Axe

from browser import PHONE, WALL, run

BASE = sys.argv[1].rstrip("/")
SHOTS = pathlib.Path(sys.argv[2])
HOUSE = "/sites/heron-lane"
PAGES = {
    "sites": "/sites",
    "now": HOUSE,
    "history": HOUSE + "/history",
    "day": HOUSE + "/history?span=day&show=circuits&compare=previous",
    "typical": HOUSE + "/history?view=typical",
    "rank": HOUSE + "/history?view=rank",
    "circuit": HOUSE + "/circuits/refrigerator",
    "findings": HOUSE + "/findings",
    "hostile": "/sites/hostile",
    "problem": "/sites/nowhere",
}
MINUS = "\u2212"


def api(path):
    with urllib.request.urlopen(BASE + path, timeout=20) as answer:
        return json.load(answer)


def rounded(value, step):
    """Halves up, of the value as it is in binary: as scripts round."""
    return decimal.Decimal(value).quantize(decimal.Decimal(step), decimal.ROUND_HALF_UP)


def text_of(html):
    return re.sub(r"\s+", " ", html).strip()


def a_newcomer_finds_the_answers(browser):
    page = browser.page(viewport=PHONE)
    page.goto(BASE + "/")
    page.get_by_role("link", name="Heron Lane farmhouse").click()
    # What is not tracked?
    section = page.locator("#untracked + p").inner_text()
    for label in ["Dishwasher", "Clothes washer", "Bathroom receptacles", "Barn door opener"]:
        assert label in section, section
    # When did the sun last cover the whole house?
    assert re.search(r"The sun last covered the whole house|covered the whole house in no full hour", page.inner_text("main"))
    # Which CT is on the well pump?
    page.get_by_role("link", name="Well pump").click()
    assert "house/4" in page.inner_text("main")
    assert "20\u00a0A" in page.inner_text(".facts")
    # What uses most this month?
    page.get_by_role("link", name="History").click()
    page.get_by_role("link", name="What uses most").click()
    today = page.evaluate("new URL(document.querySelector('.choices a[aria-current]').href).searchParams.get('at')")
    places = api(f"/api/sites/heron-lane/rank?from={today[:7]}-01")["places"]
    first = next(place for place in places if place["circuit"])
    rows = page.locator(".ranking tbody th").all_inner_texts()
    assert first["label"] in rows[:2], (first["label"], rows)
    # Is anything wrong?
    page.get_by_role("link", name="Is it right?").click()
    assert re.search(r"Nothing is wrong that can be seen|Look into it|Alarm", page.inner_text("main"))


def the_figures_are_those_of_the_api_and_live(browser):
    page = browser.page()
    page.goto(BASE + HOUSE)
    seen = set()
    late = []
    until = time.monotonic() + 8
    while time.monotonic() < until and len(seen) < 4:
        shown = page.evaluate("[document.querySelector('[data-clock]').dateTime, document.querySelector('[data-of=consumption_w]').textContent]")
        now = api("/api/sites/heron-lane/now")
        if shown[0] == now["at"]:
            watts = now["consumption_w"]
            words = "unknown" if watts is None else (f"{rounded(watts, '1')}\u00a0W" if abs(watts) < 999.5 else f"{rounded(watts / 1000, '0.01')}\u00a0kW").replace("-", MINUS)
            late.append(shown[1] == words)
        seen.add(shown[0])
        page.wait_for_timeout(300)
    assert len(seen) >= 3, f"the clock of the page went through {seen}"
    assert late and all(late), late
    # Within a second: the page shows a moment no older than that.
    began = time.monotonic()
    moment = api("/api/sites/heron-lane/now")["at"]
    page.wait_for_function("at => Date.parse(document.querySelector('[data-clock]').dateTime) >= Date.parse(at)", arg=moment)
    assert time.monotonic() - began < 1.5
    words = page.inner_text(".deck")
    assert re.search(r"The grid (gives|takes)", words), words
    # The bars say what the figures say.
    parts = page.locator("[data-strip=sources] rect").evaluate_all("rects => rects.map(rect => parseFloat(rect.getAttribute('width')))")
    assert abs(sum(parts) - 100) < 0.5 or sum(parts) == 0, parts


def history_turns_by_click_key_and_swipe(browser):
    page = browser.page(viewport=PHONE, has_touch=True)
    page.goto(BASE + HOUSE + "/history?span=day")
    today = page.inner_text("h1")
    page.get_by_role("link", name="Earlier").click()
    page.wait_for_function("h1 => document.querySelector('h1').innerText !== h1", arg=today)
    before = page.inner_text("h1")
    page.keyboard.press("ArrowRight")
    page.wait_for_function("h1 => document.querySelector('h1').innerText === h1", arg=today)
    swipe = """x => {
        const place = document.querySelector('.said');
        const touch = (x) => new Touch({identifier: 1, target: place, clientX: x, clientY: 300});
        place.dispatchEvent(new TouchEvent('touchstart', {bubbles: true, touches: [touch(180)], changedTouches: [touch(180)]}));
        place.dispatchEvent(new TouchEvent('touchend', {bubbles: true, touches: [], changedTouches: [touch(180 + x)]}));
    }"""
    page.evaluate(swipe, 100)
    page.wait_for_function("h1 => document.querySelector('h1').innerText === h1", arg=before)
    # The address holds the whole state.
    page.get_by_role("link", name="by circuit").click()
    page.get_by_role("link", name="the day before").click()
    page.wait_for_url("**compare=previous**")
    address = page.url
    said = page.inner_text(".said")
    other = browser.page()
    other.goto(address)
    assert other.inner_text("h1") == before and text_of(other.inner_text(".said")) == text_of(said)
    for name in ["Week", "Month", "Bill", "Year"]:
        other.get_by_role("link", name=name, exact=True).click()
        other.locator(".choice a[aria-current]", has_text=re.compile(f"^{name}$")).wait_for()
        assert other.locator("svg.plot").count() >= 3, name


def values_are_read_by_pointer_finger_and_key(browser):
    page = browser.page()
    page.goto(BASE + HOUSE + "/history?span=day")
    rows = page.evaluate("[...document.querySelectorAll('[data-figures] tbody tr')].map(row => [...row.cells].map(cell => cell.textContent))")
    all_of_it = page.inner_text("tr[data-key=consumption] [data-value]")
    plot = page.locator("svg.plot").first
    box = plot.bounding_box()
    page.mouse.move(box["x"] + box["width"] * 1.5 / 96, box["y"] + 100)
    assert page.inner_text("[data-key-heading]") == rows[1][0]
    assert page.inner_text("tr[data-key=consumption] [data-value]") in (rows[1][1] + "\u00a0kWh", "unknown")
    page.mouse.move(5, 5)
    page.wait_for_function("all => document.querySelector('tr[data-key=consumption] [data-value]').innerText === all", arg=all_of_it)
    page.locator("[data-chart]").focus()
    page.keyboard.press("Home")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    assert page.inner_text("[data-key-heading]") == rows[2][0]
    page.keyboard.press("Escape")
    assert page.inner_text("tr[data-key=consumption] [data-value]") == all_of_it
    phone = browser.page(viewport=PHONE, has_touch=True)
    phone.goto(BASE + HOUSE + "/history")
    phone.locator("svg.plot").first.tap(position={"x": 4, "y": 60})
    assert "known" in phone.inner_text("[data-readout]")
    phone.get_by_role("link", name="Open it").click()
    phone.wait_for_url("**span=day**")


def what_is_shown_can_be_kept_as_a_file(browser):
    page = browser.page()
    page.goto(BASE + HOUSE + "/history")
    with page.expect_download() as download:
        page.get_by_role("link", name="Download what is shown").click()
    lines = pathlib.Path(download.value.path()).read_text().splitlines()
    assert len(lines) > 10, lines[:2]
    shown = page.evaluate("document.querySelectorAll('[data-figures] tbody tr').length")
    day = page.evaluate("new URL(document.querySelector('a[download]').href).searchParams.get('from')")
    assert any(day in line for line in lines), lines[:3]
    assert shown >= 1


def a_note_is_added_and_removed(browser):
    page = browser.page()
    page.goto(BASE + HOUSE + "/history?span=day")
    page.get_by_label("What changed").fill("<b>dryer</b> replaced")
    page.get_by_role("button", name="Add the note").click()
    page.locator(".notes li", has_text="<b>dryer</b> replaced").wait_for()
    page.get_by_role("button", name="Remove the note").click()
    page.get_by_text("None in this time.").wait_for()


def without_script_it_reads_all_the_same(browser):
    page = browser.page(java_script_enabled=False)
    for name, path in PAGES.items():
        page.goto(BASE + path)
        assert page.locator("h1").count() == 1, name
    page.goto(BASE + HOUSE)
    assert 'http-equiv="refresh"' in page.content()
    assert re.search(r"The house uses", page.inner_text(".lead"))
    page.get_by_role("link", name="History").click()
    page.get_by_role("link", name="Earlier").click()
    page.get_by_role("link", name="Year", exact=True).click()
    page.locator("summary").click()
    assert page.locator("[data-figures] tbody tr").count() >= 1
    # The form for notes needs the script, and is not shown without it.
    assert page.locator(".note-form").is_hidden()


def hostile_labels_are_text(browser):
    page = browser.page(viewport=PHONE)
    for path in ["/sites", "/sites?q=%3Cscript%3Ealert(9)%3C/script%3E", "/sites/hostile", "/sites/hostile/history", "/sites/hostile/findings"] + [
        f"/sites/hostile/circuits/{name}" for name in ["script", "rtl", "long", "emoji", "bare"]
    ]:
        page.goto(BASE + path)
        assert page.locator("main script, main img, main svg[onload]").count() == 0, path
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= 360, f"{path} is {wide} px wide"
    page.goto(BASE + "/sites/hostile/circuits/script")
    assert page.inner_text("h1") == "<img src=x onerror=alert(1)><script>alert(2)</script>"
    page.goto(BASE + "/sites/hostile/circuits/emoji")
    assert page.inner_text("h1").startswith("🍳🔥 {{ 7 * 7 }} {% raw %}"), page.inner_text("h1")
    page.goto(BASE + "/sites?q=lighthouse")
    assert "No site holds" in page.inner_text("main")
    page.get_by_label("Name, id or circuit").fill("well pump")
    page.get_by_role("button", name="Search").click()
    assert page.locator("tbody tr").count() == 1 and "Heron Lane" in page.inner_text("tbody")


def numbers_are_those_of_the_language(browser):
    page = browser.page(locale="de-DE")
    page.goto(BASE + HOUSE + "/history?view=rank")
    assert re.search(r"\d,\d", page.inner_text(".ranking")) and not re.search(r"\d\.\d", page.inner_text(".ranking"))
    page.goto(BASE + HOUSE)
    page.wait_for_timeout(1500)
    assert not re.search(r"\d\.\d\d\u00a0kW", page.inner_text("main")), "the script writes as the server does"


def it_is_light_and_nothing_jumps(browser):
    page = browser.page(viewport=PHONE)
    page.add_init_script("window.shifts = 0; new PerformanceObserver(list => { for (const entry of list.getEntries()) if (!entry.hadRecentInput) window.shifts += entry.value; }).observe({type: 'layout-shift', buffered: true});")
    page.goto(BASE + HOUSE)
    page.wait_for_timeout(2500)
    size = page.evaluate("[...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')].filter(one => !one.name.includes('/live/')).map(one => one.decodedBodySize)")
    assert len(size) >= 3 and 10_000 < sum(size) <= 100_000, size
    shifts = page.evaluate("window.shifts")
    assert shifts < 0.02, f"layout shift {shifts}"
    page.goto(BASE + HOUSE + "/history")
    page.wait_for_timeout(500)
    assert page.evaluate("window.shifts") < 0.02


def a_keyboard_is_enough(browser):
    page = browser.page()
    page.goto(BASE + HOUSE)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent") == "Refrigerator and freezer":
            break
    page.keyboard.press("Enter")
    page.wait_for_url("**/circuits/refrigerator")


def it_fits_every_screen(browser):
    axe = Axe()
    for size, name in [(PHONE, "360"), (WALL, "1920")]:
        for scheme in ["light", "dark"]:
            page = browser.page(viewport=size, color_scheme=scheme)
            for what, path in PAGES.items():
                page.goto(BASE + path)
                wide = page.evaluate("document.documentElement.scrollWidth")
                assert wide <= size["width"], f"{what} is {wide} px wide at {name}"
                page.screenshot(path=SHOTS / f"{what}-{name}-{scheme}.png", full_page=True)
                # Contrast differs with the scheme, names and roles do not.
                if name == "360":
                    rules = {} if scheme == "light" else {"runOnly": ["color-contrast"]}
                    found = axe.run(page, options={"resultTypes": ["violations"], **rules}).response["violations"]
                    told = [(one["id"], [node["html"][:120] for node in one["nodes"][:3]]) for one in found]
                    assert not told, f"{what} in {scheme}: {told}"
            page.context.close()
    # 200 % zoom of a screen of 1280 px leaves 640.
    page = browser.page(viewport={"width": 640, "height": 400}, device_scale_factor=2)
    for what, path in PAGES.items():
        page.goto(BASE + path)
        assert page.evaluate("document.documentElement.scrollWidth") <= 640, what
    page.goto(BASE + HOUSE + "/history")
    page.emulate_media(media="print")
    assert page.locator(".choices").is_hidden()
    page.pdf(path=SHOTS / "history.pdf")


TASKS = [
    a_newcomer_finds_the_answers,
    the_figures_are_those_of_the_api_and_live,
    history_turns_by_click_key_and_swipe,
    values_are_read_by_pointer_finger_and_key,
    what_is_shown_can_be_kept_as_a_file,
    a_note_is_added_and_removed,
    without_script_it_reads_all_the_same,
    hostile_labels_are_text,
    numbers_are_those_of_the_language,
    it_is_light_and_nothing_jumps,
    a_keyboard_is_enough,
    it_fits_every_screen,
]

sys.exit(run(TASKS, SHOTS, refused=404, patience_ms=15_000))
