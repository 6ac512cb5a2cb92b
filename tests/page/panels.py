"""The panel, set-up and sign-in pages in a real browser.

    panels.py BASE DIRECTORY [GUARDED PASSWORD]

BASE is the address of a running `panelwright demo`, DIRECTORY where screenshots are kept, GUARDED that of a
daemon with a password. Chromium is driven by Playwright; axe-core (MPL-2.0) looks for barriers. It prints a
line for each task, and ends with 1 if one failed.
"""

import json
import pathlib
import re
import sys
import time

from axe_playwright_python.sync_playwright import Axe

from browser import PHONE, WALL, run

BASE = sys.argv[1].rstrip("/")
SHOTS = pathlib.Path(sys.argv[2])
GUARDED, PASSWORD = (sys.argv[3].rstrip("/"), sys.argv[4]) if len(sys.argv) > 4 else (None, None)
HOUSE = "/sites/heron-lane"
SETUP = "/setup?filter=heron-lane/%23"
PAGES = {"panel": HOUSE + "/panel", "verify": HOUSE + "/verify?circuit=", "setup": SETUP}


def a_ct_is_marked_when_its_reading_steps(browser):
    page = browser.page(viewport=PHONE)
    values = {"house/5": 240.0, "house/9": 100.0}
    bodies = [values, {**values, "house/9": 104.0}, {**values, "house/9": 1304.0}]
    events = [f"event: channels\ndata: {json.dumps({'site': 'heron-lane', 'at': '', 'channels': body})}\n\n" for body in bodies]
    page.route("**/live/heron-lane/channels", lambda route: route.fulfill(content_type="text/event-stream", body="retry: 60000\n\n" + "".join(events)))
    page.goto(BASE + HOUSE + "/panel")
    page.wait_for_selector('[data-channel="house/9"].stepped')
    assert page.locator('[data-channel="house/5"].stepped').count() == 0, "what stays is not marked"
    words = page.inner_text("[data-step]")
    assert re.match(r"house/9.*: up by 1\.20\u00a0kW", words), words
    assert page.inner_text('[data-channel="house/9"] data') == "1.30\u00a0kW"
    page.wait_for_function("() => !document.querySelector('.stepped')")


def the_panel_is_live(browser):
    page = browser.page()
    page.goto(BASE + HOUSE + "/panel")
    page.wait_for_function("() => [...document.querySelectorAll('[data-channel] data')].filter(one => /W$/.test(one.textContent)).length > 10")
    left = page.locator(".breaker.left .number").all_inner_texts()
    numbers = [int(number) for text in left for number in re.findall(r"\d+", text)]
    assert numbers and all(number % 2 == 1 for number in numbers), "odd spaces are on the left"
    boxes = page.locator(".board").first.locator(".breaker").evaluate_all("all => all.map(one => [one.className, one.getBoundingClientRect().x])")
    lefts = {x for name, x in boxes if " left" in name}
    rights = {x for name, x in boxes if " right" in name}
    assert len(lefts) == 1 and len(rights) == 1 and max(lefts) < min(rights), boxes
    with page.expect_navigation():
        page.get_by_role("link", name="Print on A4").click()
    assert page.locator("table").count() > 0
    font = page.evaluate("getComputedStyle(document.body).fontFamily")
    assert "Times" not in font, f"the style of the sheet runs: {font}"


def a_load_step_is_guided(browser):
    page = browser.page(viewport=PHONE)
    page.goto(BASE + HOUSE + "/panel")
    page.get_by_role("link", name=re.compile("Prove")).nth(1).click()
    assert "Never open a panel" in page.inner_text(".caution")
    button = page.locator(".large button").first
    label = button.locator("span").inner_text()
    assert button.bounding_box()["height"] >= 44
    button.click()
    assert page.inner_text("h1") == label
    first = page.inner_text(".lead")
    assert re.search(r"Leave the load|Switch the load", first), first
    page.wait_for_function("text => document.querySelector('.lead').innerText !== text", arg=first)
    page.screenshot(path=SHOTS / "verify-runs-360-light.png", full_page=True)
    page.get_by_role("button", name="End it").click()
    page.get_by_role("link", name="Another circuit").click()
    assert page.locator(".large button").count() > 10


def what_comes_in_is_seen(browser):
    page = browser.page()
    page.goto(BASE + "/setup")
    page.get_by_label("Topics of your meters").fill("heron-lane/#")
    page.get_by_role("button", name="Look").click()
    page.wait_for_selector("[data-key]")
    page.wait_for_function("() => document.querySelector('polyline').getAttribute('points').split(' ').length > 2")
    text = page.inner_text(".seen")
    assert "on the map of Heron Lane farmhouse" in text, text[:500]


def without_script_it_reads_all_the_same(browser):
    page = browser.page(java_script_enabled=False)
    page.goto(BASE + HOUSE + "/panel")
    assert page.locator(".breaker").count() > 20
    page.goto(BASE + SETUP)
    until = time.monotonic() + 20
    while page.locator("[data-key]").count() == 0 and time.monotonic() < until:
        page.wait_for_timeout(500)
        page.goto(BASE + SETUP)
    assert page.locator("[data-key]").count() > 10


def a_visitor_signs_in_and_out(browser):
    if GUARDED is None:
        return
    page = browser.page(viewport=PHONE)
    page.goto(GUARDED + "/setup")
    assert page.url.endswith("/sign-in?next=%2Fsetup"), page.url
    page.screenshot(path=SHOTS / "sign-in-360-light.png", full_page=True)
    page.get_by_label("Password").fill("wrong")
    page.get_by_role("button", name="Sign in").click()
    assert "wrong" in page.get_by_role("alert").inner_text()
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url("**/setup")
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/sign-in")
    page.goto(GUARDED + "/setup")
    assert "/sign-in" in page.url


def it_fits_every_screen(browser):
    axe = Axe()
    for size, name in [(PHONE, "360"), (WALL, "1920")]:
        for scheme in ["light", "dark"]:
            page = browser.page(viewport=size, color_scheme=scheme)
            pages = {what: BASE + path for what, path in PAGES.items()}
            if GUARDED:
                pages["sign-in"] = GUARDED + "/sign-in"
            for what, url in pages.items():
                page.goto(url)
                if what == "setup":
                    page.wait_for_selector("[data-key]")
                if what == "panel":
                    page.wait_for_function("() => /W$/.test(document.querySelector('[data-channel] data').textContent)")
                wide = page.evaluate("document.documentElement.scrollWidth")
                assert wide <= size["width"], f"{what} is {wide} px wide at {name}"
                page.screenshot(path=SHOTS / f"{what}-{name}-{scheme}.png", full_page=True)
                if name == "360":
                    found = axe.run(page, options={"resultTypes": ["violations"]}).response["violations"]
                    told = [(one["id"], [node["html"][:120] for node in one["nodes"][:3]]) for one in found]
                    assert not told, f"{what} in {scheme}: {told}"
            page.context.close()


TASKS = [
    a_ct_is_marked_when_its_reading_steps,
    the_panel_is_live,
    a_load_step_is_guided,
    what_comes_in_is_seen,
    without_script_it_reads_all_the_same,
    a_visitor_signs_in_and_out,
    it_fits_every_screen,
]

sys.exit(run(TASKS, SHOTS, refused=401, patience_ms=20_000))
