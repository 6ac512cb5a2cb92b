"""What is wrong, where it is: the pages of a house whose map is not true, in a real browser.

    faulty.py BASE DIRECTORY

BASE is the address of a running `panelwright demo --fault reversed`, DIRECTORY where screenshots are kept. It
prints a line for each task, and ends with 1 if one failed.
"""

import pathlib
import re
import sys

from browser import PHONE, look_at, run

BASE = sys.argv[1].rstrip("/")
SHOTS = pathlib.Path(sys.argv[2])
HOUSE = "/sites/heron-lane"


def a_newcomer_sees_that_something_is_wrong_and_what_to_change(browser):
    page = browser.page(viewport=PHONE)
    page.goto(BASE + HOUSE)
    # The first look of the hourly audit is taken some seconds after the start.
    page.get_by_text("The map and the readings disagree").wait_for(timeout=120_000)
    assert "panelwright audit" not in page.inner_text("#wrong"), "whoever reads a page needs no command"
    look_at(page, SHOTS, "fault-now")
    page.set_viewport_size(PHONE)
    page.get_by_role("link", name="What to change").click()
    page.wait_for_url("**/findings")
    finding = page.locator("article.finding")
    assert finding.count() == 1, page.inner_text("main")
    text = finding.inner_text()
    assert "house/13" in text and re.search(r"Confidence \d+", text) and re.search(r"[Ll]ines? \d+ of the map", text), text
    assert finding.locator("pre").count() == 1 and finding.locator("svg").count() >= 1
    look_at(page, SHOTS, "fault-findings")
    page.set_viewport_size(PHONE)
    page.get_by_role("link", name="Look again now").click()
    page.wait_for_url("**look=day")
    assert page.locator("article.finding").count() == 1


def its_circuit_says_so(browser):
    page = browser.page(viewport=PHONE)
    page.goto(BASE + HOUSE + "/circuits/refrigerator")
    section = page.locator("#right ~ article.finding")
    assert section.count() == 1 and "house/13" in section.inner_text(), page.inner_text("main")
    assert "the readings say otherwise than the map" in page.inner_text("main")
    look_at(page, SHOTS, "fault-circuit")
    page.goto(BASE + HOUSE + "/circuits/well-pump")
    assert page.locator("article.finding").count() == 0
    assert re.search(r"house/4: its place is proven by \d+ changes", page.inner_text("main")), page.inner_text("main")


def its_breaker_says_so(browser):
    page = browser.page(viewport=PHONE)
    page.goto(BASE + HOUSE + "/panel")
    doubted = page.locator(".breaker.is-doubted")
    assert doubted.count() == 1 and "Refrigerator" in doubted.inner_text(), doubted.all_inner_texts()
    look_at(page, SHOTS, "fault-panel")
    page.set_viewport_size(PHONE)
    doubted.get_by_role("link", name="Why").click()
    page.wait_for_url("**/circuits/refrigerator#right")


TASKS = [a_newcomer_sees_that_something_is_wrong_and_what_to_change, its_circuit_says_so, its_breaker_says_so]

sys.exit(run(TASKS, SHOTS, refused=404, patience_ms=60_000))
