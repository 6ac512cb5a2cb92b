"""The panel, the guided load step and the first of the set-up pages in a real browser.

    panels.py BASE DIRECTORY

BASE is the address of a running `panelwright demo`, DIRECTORY where screenshots are kept. It prints a line for
each task, and ends with 1 if one failed.
"""

import json
import pathlib
import re
import sys
import time

from addresses import HOUSE, SETUP
from browser import PHONE, look_at, run

BASE = sys.argv[1].rstrip("/")
SHOTS = pathlib.Path(sys.argv[2])


def a_ct_is_marked_when_its_reading_steps(browser):
    page = browser.page(viewport=PHONE)
    values = {"house/5": 240.0, "house/9": 100.0}
    bodies = [values, {**values, "house/9": 104.0}, {**values, "house/9": 1304.0}]
    events = [f"event: channels\ndata: {json.dumps({'site': 'heron-lane', 'at': '', 'channels': body})}\n\n" for body in bodies]
    # What was ever marked: a mark is taken away after some seconds, which a slow machine may let pass.
    page.add_init_script("""window.marked = new Set();
      new MutationObserver((list) => {
        for (const one of list) if (one.target.matches("[data-channel].stepped")) marked.add(one.target.dataset.channel);
      }).observe(document, { subtree: true, attributes: true, attributeFilter: ["class"] });""")
    page.route("**/live/heron-lane/channels", lambda route: route.fulfill(content_type="text/event-stream", body="retry: 60000\n\n" + "".join(events)))
    page.goto(BASE + HOUSE + "/panel")
    page.wait_for_function("() => marked.has('house/9')")
    assert page.evaluate("[...marked]") == ["house/9"], "what stays is not marked"
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
    # The style is there too by then.
    page.wait_for_load_state()
    place = page.get_by_role("button", name="End it").bounding_box()
    # It counts down, and then asks for the switch.
    page.wait_for_function("text => { const now = document.querySelector('.lead').innerText; return now !== text || /^Switch the load/.test(now); }", arg=first)
    page.wait_for_function("() => /^Switch the load/.test(document.querySelector('.lead').innerText)")
    now = page.get_by_role("button", name="End it").bounding_box()
    assert now == place, f"what a finger is over stays: {place} became {now}; {page.inner_text('main')}"
    look_at(page, SHOTS, "verify-runs")
    page.set_viewport_size(PHONE)
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
    until = time.monotonic() + 90
    while page.locator("[data-key]").count() == 0 and time.monotonic() < until:
        page.wait_for_timeout(500)
        page.goto(BASE + SETUP)
    assert page.locator("[data-key]").count() > 10


TASKS = [
    a_ct_is_marked_when_its_reading_steps,
    the_panel_is_live,
    a_load_step_is_guided,
    what_comes_in_is_seen,
    without_script_it_reads_all_the_same,
]

sys.exit(run(TASKS, SHOTS, refused=401, patience_ms=60_000))
