"""Signing in, and setting a site up form by form, in a real browser.

    setup.py BASE DIRECTORY PASSWORD MAPS

BASE is the address of a daemon with a password and without a map, to whose broker something publishes
`shed/ct/{m1,m2,1,2}/power` and `shed/ct/{m1,m2,1,2}/voltage`, DIRECTORY where screenshots are kept, MAPS the
directory of the maps. It prints a line for each task, and ends with 1 if one failed.
"""

import pathlib
import re
import sys

from browser import PHONE, WALL, eventually, look_at, run, steady

BASE = sys.argv[1].rstrip("/")
SHOTS = pathlib.Path(sys.argv[2])
PASSWORD = sys.argv[3]
MAPS = pathlib.Path(sys.argv[4])


def sign_in(browser, **how):
    page = browser.page(**how)
    page.goto(BASE + "/sign-in")
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url(lambda url: "/sign-in" not in url)
    return page


def unmark_all(page):
    marked = page.locator("input[name=pick]:checked")
    while marked.count():
        marked.first.uncheck()


def box(page, channel, label):
    """A field of the channel of that name, in the third form."""
    return page.locator("fieldset.channel").filter(has=page.locator("legend", has_text=re.compile(f"^{re.escape(channel)} "))).get_by_label(label)


def a_visitor_signs_in_and_out(browser):
    page = browser.page(viewport=PHONE)
    page.goto(BASE + "/setup")
    assert page.url.endswith("/sign-in?next=%2Fsetup"), page.url
    look_at(page, SHOTS, "sign-in")
    page.get_by_label("Password").fill("wrong")
    page.get_by_role("button", name="Sign in").click()
    assert "wrong" in page.get_by_role("alert").inner_text()
    look_at(page, SHOTS, "sign-in-wrong")
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url("**/setup")
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/sign-in")
    page.goto(BASE + "/setup")
    assert "/sign-in" in page.url
    for size in [PHONE, WALL]:
        steady(browser, BASE + "/sign-in", "sign-in", size)


def a_map_is_made_form_by_form(browser):
    assert not list(MAPS.iterdir()), "there is no map yet"
    page = sign_in(browser, viewport=PHONE)
    # Whoever may set up is led there.
    page.wait_for_url("**/setup")
    look_at(page, SHOTS, "setup-1-empty")
    page.set_viewport_size(PHONE)

    # What comes in.
    page.get_by_label("Topics of your meters").fill("shed/#")
    page.get_by_role("button", name="Look").click()
    for channel in ["m1", "m2", "1", "2"]:
        page.locator(f'[data-key*="shed/ct/{channel}/power"]').wait_for()
    page.wait_for_function("() => document.querySelector('polyline').getAttribute('points').split(' ').length > 3")
    ticked = page.locator("input[name=pick]:checked").evaluate_all("boxes => boxes.map(box => box.value)")
    assert len(ticked) == 4 and all("power" in value for value in ticked), f"powers are marked: {ticked}"
    look_at(page, SHOTS, "setup-1-seen")
    page.set_viewport_size(PHONE)
    page.get_by_role("button", name="Go on with those marked").click()

    # The house, with a slip of the pen.
    page.get_by_label("Name of the site").fill("Lathe shed <b>& Söhne</b>")
    page.get_by_label("Time zone").fill("America/Denvr")
    page.get_by_label("Main breaker").fill("100")
    look_at(page, SHOTS, "setup-2-house")
    page.set_viewport_size(PHONE)
    page.get_by_role("button", name="Go on").click()

    # What each is on.
    page.locator("fieldset.channel").first.wait_for()
    names = page.locator("fieldset.channel legend").all_inner_texts()
    by_key = {name.split()[0].split("/")[-1]: name.split()[0] for name in names}
    box(page, by_key["m1"], "It is on").select_option("A")
    box(page, by_key["m2"], "It is on").select_option("B")
    box(page, by_key["1"], "It is on").select_option("circuit")
    box(page, by_key["1"], "Name of the circuit").fill("Lathe")
    box(page, by_key["1"], "What its energy is for").select_option("plug loads")
    box(page, by_key["1"], "Spaces").fill("1")
    box(page, by_key["1"], "Breaker, A").fill("20")
    look_at(page, SHOTS, "setup-3-channels")
    page.set_viewport_size(PHONE)
    page.get_by_role("button", name="Check").click()

    # The same rules as `check` has.
    page.get_by_role("heading", name="The map needs mending").wait_for()
    error = page.locator(".findings .error").first.inner_text()
    assert re.search(r"line \d+", error), error
    page.locator(".findings .error a").first.click()
    assert re.search(r"#line-\d+$", page.url), page.url
    look_at(page, SHOTS, "setup-4-mend")
    page.set_viewport_size(PHONE)
    assert page.get_by_role("button", name="Write it").count() == 0
    page.get_by_role("button", name="Back to the house").click()
    assert page.get_by_label("Name of the site").input_value() == "Lathe shed <b>& Söhne</b>", "what was said is not lost"
    page.get_by_label("Time zone").fill("America/Denver")
    page.get_by_role("button", name="Go on").click()
    assert box(page, by_key["1"], "Name of the circuit").input_value() == "Lathe", "what was said is not lost"
    page.get_by_role("button", name="Check").click()
    page.get_by_role("heading", name=re.compile("can be used|in order")).wait_for()
    text = page.locator(".code").inner_text()
    assert 'label = "Lathe"' in text and "spaces = [1]" in text, text
    look_at(page, SHOTS, "setup-4-check")
    page.set_viewport_size(PHONE)
    page.get_by_role("button", name="Write it and use it").click()

    page.get_by_role("heading", name="It is in use").wait_for()
    look_at(page, SHOTS, "setup-5-done")
    page.set_viewport_size(PHONE)
    files = [file.name for file in MAPS.iterdir()]
    assert len(files) == 1 and files[0].endswith(".toml"), files
    page.get_by_role("link", name="See what the house uses").click()
    page.wait_for_function("() => /uses \\d/.test(document.querySelector('.lead')?.textContent ?? '')")
    assert page.get_by_role("link", name="Lathe", exact=True).count() == 1
    page.get_by_role("link", name="Panel", exact=True).click()
    assert "Lathe" in page.inner_text(".board")


def more_is_added_and_the_former_map_is_kept(browser):
    page = sign_in(browser, viewport=PHONE)
    former = next(MAPS.glob("*.toml"))
    before = former.read_text()
    page.goto(BASE + "/setup?filter=shed/%23")
    row = page.locator('[data-key*="shed/ct/2/power"]')
    row.wait_for()
    assert page.locator('[data-key*="shed/ct/1/power"] input').is_disabled(), "what is on the map is not offered"
    unmark_all(page)
    row.get_by_role("checkbox").check()
    page.get_by_label("Put them on the map of").select_option(index=1)
    page.get_by_role("button", name="Go on with those marked").click()
    page.get_by_role("button", name="Go on").click()
    page.get_by_label("It is on").select_option("circuit")
    page.get_by_label("Name of the circuit").fill("Band saw")
    page.get_by_label("Spaces of its breaker").fill("3")
    page.get_by_label("Breaker, A").fill("20")
    page.get_by_role("button", name="Check").click()
    assert "will be kept beside it" in page.inner_text("main")
    page.get_by_role("button", name="Write it and use it").click()
    page.get_by_role("heading", name="It is in use").wait_for()
    kept = page.locator("code").last.inner_text()
    assert re.fullmatch(re.escape(former.name) + r"\.\d{4}-\d\d-\d\dT\d{6}Z", kept), kept
    assert (MAPS / kept).read_text() == before and "Band saw" in former.read_text()
    page.get_by_role("link", name="See what the house uses").click()
    page.get_by_role("link", name="Band saw", exact=True).wait_for()


def without_script_the_forms_work(browser):
    page = sign_in(browser, java_script_enabled=False)
    page.goto(BASE + "/setup?filter=shed/%23")

    def all_is_seen():
        page.goto(BASE + "/setup?filter=shed/%23")
        assert page.locator("[data-key]").count() >= 8, page.inner_text("main")

    eventually(all_is_seen)
    unmark_all(page)
    page.get_by_role("button", name="Go on with those marked").click()
    # Nothing is marked: that is said, and what to do.
    assert "No value is marked" in page.inner_text("main")


def nothing_comes_in(browser):
    page = sign_in(browser, viewport=PHONE)
    # Until the broker has taken the subscription the page says that.
    def it_says_so():
        page.goto(BASE + "/setup?filter=nowhere/%23")
        assert page.get_by_text("Nothing came in yet").count(), page.inner_text("main")

    eventually(it_says_so)
    page.get_by_role("link", name="Look again").click()
    page.wait_for_url("**/setup?filter=nowhere%2F%23")
    assert "Nothing came in yet" in page.inner_text("main")


TASKS = [
    a_visitor_signs_in_and_out,
    nothing_comes_in,
    a_map_is_made_form_by_form,
    more_is_added_and_the_former_map_is_kept,
    without_script_the_forms_work,
]

sys.exit(run(TASKS, SHOTS, refused=4, patience_ms=60_000))
