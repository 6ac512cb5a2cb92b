"""The pages in a real browser, each task done as a person would do it.

    pages.py BASE DIRECTORY

BASE is the address of a running `panelwright demo` beside whose map tests/page/hostile.toml lies, DIRECTORY
where screenshots are kept. It prints a line for each task, and ends with 1 if one failed.
"""

import csv
import datetime
import decimal
import html.parser
import io
import json
import pathlib
import re
import sys
import time
import urllib.error
import urllib.parse
import urllib.request

from addresses import HOUSE, PAGES
from browser import PHONE, eventually, run

BASE = sys.argv[1].rstrip("/")
SHOTS = pathlib.Path(sys.argv[2])
MINUS = "\u2212"


def api(path):
    with urllib.request.urlopen(BASE + path, timeout=20) as answer:
        return json.load(answer)


def rounded(value, step):
    """Halves up, of the value as it is in binary: as scripts round."""
    return decimal.Decimal(value).quantize(decimal.Decimal(step), decimal.ROUND_HALF_UP)


def text_of(html):
    return re.sub(r"\s+", " ", html).strip()


class Newcomer:
    """Somebody with a phone who has never seen the pages, and clicks; a minute is enough."""

    def __init__(self, browser):
        self.page = browser.page(viewport=PHONE)
        self.clicks = 0
        self.began = time.monotonic()
        self.page.goto(BASE + "/")
        self.click("Heron Lane farmhouse")

    def click(self, name):
        self.page.get_by_role("link", name=name, exact=True).first.click()
        self.clicks += 1

    def is_done(self, clicks):
        assert self.clicks <= clicks, f"it takes {self.clicks} clicks"
        assert time.monotonic() - self.began < 60, "it takes more than a minute"


def what_uses_most_this_month(browser):
    who = Newcomer(browser)
    who.click("History")
    who.click("What uses most")
    who.page.wait_for_selector(".ranking")
    today = who.page.evaluate("new URL(document.querySelector('.choices a[aria-current]').href).searchParams.get('at')")
    month = [who.page.inner_text("h1"), who.page.inner_text(".ranking tbody tr:first-child th")]
    places = api(f"/api/sites/heron-lane/rank?from={today[:7]}-01")["places"]
    expected = {place["label"] for place in places[:2]} | {"Untracked"}
    assert month[1] in expected, (month, expected)
    said = who.page.inner_text(".said")
    assert re.match(r"(.+) used most so far: [\d.,]+\u00a0kWh, [\d.]+\u00a0% of consumption\.$", said), said
    assert any(said.startswith(label) for label in expected), (said, expected)
    assert datetime.date.fromisoformat(today[:7] + "-01").strftime("%B %Y") in month[0], month
    who.is_done(clicks=3)


def when_the_sun_last_covered_the_whole_house(browser):
    # An hour may close between the page and the interface.
    eventually(lambda: the_last_hour_is_right(Newcomer(browser)))


def the_last_hour_is_right(who):
    said = who.page.locator("#givers ~ .note").inner_text()
    found = re.match(r"The sun last covered the whole house (today|yesterday|on \w+ \d+ \w+), (\d\d:\d\d) to (\d\d:\d\d)\.", said)
    zone = api("/api/sites")["sites"][0]["time_zone"]
    now = datetime.datetime.fromisoformat(api("/api/sites/heron-lane/now")["at"])
    assert zone == "America/Denver"
    last = None
    for back in range(3):
        day = now.date() - datetime.timedelta(days=back)
        hours = api(f"/api/sites/heron-lane/history?from={day}&to={day + datetime.timedelta(days=1)}&by=hour")["intervals"]
        covered = [hour for hour in hours if hour["coverage"] >= 0.98 and (hour["generation_kwh"] or 0) > 0
                   and hour["consumption_kwh"] is not None and hour["generation_kwh"] >= hour["consumption_kwh"]]
        if covered:
            last = (back, covered[-1])
            break
    if last is None:
        assert "covered the whole house in no full hour" in said, said
    else:
        back, hour = last
        assert found, said
        assert (found[2], found[3]) == (hour["start"][11:16], hour["end"][11:16]), (said, hour)
        assert found[1] == ["today", "yesterday", found[1]][back], (said, back)
    who.is_done(clicks=1)


def what_is_not_tracked(browser):
    who = Newcomer(browser)
    who.click("Untracked")
    assert who.page.url.endswith("#untracked"), who.page.url
    said = who.page.locator("#untracked + p").inner_text()
    site, ranking = api("/api/sites")["sites"][0], api("/api/sites/heron-lane/rank")
    bare = [one["label"] for one in site["circuits"] if one["id"] in ranking["unmeasured"]]
    assert len(bare) >= 4 and all(label in said for label in bare), (bare, said)
    who.is_done(clicks=2)


def which_ct_is_on_the_well_pump(browser):
    who = Newcomer(browser)
    who.click("Well pump")
    who.page.wait_for_selector(".facts")
    facts = dict(zip(who.page.locator(".facts dt").all_inner_texts(), who.page.locator(".facts dd").all_inner_texts()))
    # As config/sites/heron-lane.toml has it.
    assert (facts["CT"], facts["Breaker"], facts["Spaces"]) == ("house/4", "20\u00a0A", "13 · 15"), facts
    who.is_done(clicks=2)


def trouble():
    """Whether the interface says that anything is wrong at the house; the hostile map is silent always."""
    parts = api("/health")["parts"].items()
    parts = [name for name, part in parts if not part["ok"] and not name.endswith("/hostile")]
    return bool(parts or api("/api/sites/heron-lane/now")["alerts"])


def whether_anything_is_wrong(browser):
    who = Newcomer(browser)
    until = time.monotonic() + 20
    while True:
        before = trouble()
        now = who.page.inner_text("#wrong")
        who.click("Is it right?")
        who.page.wait_for_selector("h1 + .wrong")
        page = who.page.inner_text("main")
        if before == trouble():
            words = "Look into it|Alarm" if before else "Nothing is wrong"
            if re.search(words, now) and re.search(words, page):
                break
        # The meters of a busy machine may fall silent for some seconds between one answer and the next.
        assert time.monotonic() < until, (before, now, page)
        who = Newcomer(browser)
    # The other site has six channels that are silent, and says so.
    who.click("All sites")
    who.page.get_by_role("link", name=re.compile("finding")).last.click()
    who.page.get_by_text("Some channels are silent").wait_for()
    who.is_done(clicks=3)


def the_figures_are_those_of_the_api_and_live(browser):
    page = browser.page()
    page.goto(BASE + HOUSE)
    seen = set()
    late = []
    until = time.monotonic() + 90
    while time.monotonic() < until and (len(seen) < 4 or not late):
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
    # Within a second: the page shows a moment no older than that. A busy machine may pause once.
    waits = []
    while not waits or (min(waits) >= 1.5 and len(waits) < 5):
        moment = api("/api/sites/heron-lane/now")["at"]
        began = time.monotonic()
        page.wait_for_function("at => Date.parse(document.querySelector('[data-clock]').dateTime) >= Date.parse(at)", arg=moment)
        waits.append(time.monotonic() - began)
    assert min(waits) < 1.5, waits
    page.wait_for_function("() => /The grid (gives|takes)/.test(document.querySelector('.deck').textContent)")
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
    # From today on: what is shown next holds today as well, and so what there is of it.
    other.goto(BASE + HOUSE + "/history?span=day")
    for name in ["Week", "Month", "Bill", "Year"]:
        other.get_by_role("link", name=name, exact=True).click()
        other.locator(".choice a[aria-current]", has_text=re.compile(f"^{name}$")).wait_for()
        assert other.locator("svg.plot").count() >= 3, name
    # A time without readings is a sentence, and no empty chart.
    other.goto(BASE + HOUSE + "/history?span=month&at=2020-02-01")
    assert "Nothing is known of this time" in other.inner_text(".said") and other.locator("svg.plot").count() == 0


def values_are_read_by_pointer_finger_and_key(browser):
    page = browser.page()
    page.goto(BASE + HOUSE + "/history?span=day")
    rows = page.evaluate("[...document.querySelectorAll('[data-figures] tbody tr')].map(row => [...row.cells].map(cell => cell.textContent))")
    all_of_it = page.inner_text("tr[data-key=consumption] [data-value]")
    plot = page.locator("svg.plot").first
    box = plot.bounding_box()
    page.mouse.move(box["x"] + box["width"] * 1.5 / 96, box["y"] + 100)
    page.wait_for_function("row => document.querySelector('[data-key-heading]').innerText === row", arg=rows[1][0])
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

    def download():
        with page.expect_download() as download:
            page.get_by_role("link", name="Download what is shown").click()
        name, path = download.value.suggested_filename, pathlib.Path(download.value.path())
        return name, list(csv.reader(io.StringIO(path.read_text())))

    def shown(selector):
        script = "table => [...table.rows].map(row => [...row.cells].map(cell => cell.textContent.trim()))"
        return page.locator(selector).first.evaluate(script)

    def same(figure, cell):
        """Whether a cell shows a figure of the file: rounded as it is, and unknown as unknown."""
        text = re.sub("[^0-9.\u2212]", "", cell).replace(MINUS, "-")
        if figure == "":
            return cell in ("–", "unknown", "")
        decimals = len(text.split(".")[1]) if "." in text else 0
        return abs(float(text) - float(figure)) <= 0.5000001 * 10 ** -decimals

    def the_energy(query):
        page.goto(BASE + HOUSE + "/history" + query)
        name, lines = download()
        table = shown("[data-figures]")
        # The live minute that closes between the two is allowed one row, and one row's figures.
        assert re.fullmatch(r"heron-lane-history-\w+-\d{4}-\d\d-\d\d\.csv", name), name
        assert lines[0][3:] == [head + " (kWh)" for head in table[0][1:-1]], (lines[0], table[0])
        assert 0 <= len(lines) - len(table) <= 1, (len(lines), len(table))
        for line, row in list(zip(lines[1:], table[1:]))[:-1]:
            assert all(same(figure, cell) for figure, cell in zip(line[3:], row[1:-1])), (line, row)

    def the_ranking():
        page.goto(BASE + HOUSE + "/history?view=rank&span=month")
        name, lines = download()
        table = shown(".ranking")
        assert "rank" in name and [line[1].lower() for line in lines[1:]] == [row[0].lower() for row in table[1:]], (lines, table)

    def the_circuit():
        page.goto(BASE + HOUSE + "/circuits/refrigerator?span=day")
        name, lines = download()
        table = shown("[data-figures]")
        assert "refrigerator" in name and 0 <= len(lines) - len(table) <= 1, (name, len(lines), len(table))
        assert all(same(line[3], row[1]) for line, row in list(zip(lines[1:], table[1:]))[:-1]), (lines[:3], table[:3])

    for query in ["", "?span=day&show=circuits", "?span=week&compare=previous", "?span=year"]:
        eventually(lambda: the_energy(query))
    eventually(the_ranking)
    page.goto(BASE + HOUSE + "/history?view=typical")
    name, lines = download()
    assert "typical-day" in name and len(lines) == 97 and lines[1][0] == "00:00", lines[:2]
    eventually(the_circuit)


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


def a_body_has_come(page):
    """The script has written what the stream of live figures brought: the clock of the page went on."""
    at = page.evaluate("document.querySelector('[data-clock]').dateTime")
    page.wait_for_function("at => document.querySelector('[data-clock]').dateTime !== at", arg=at)


def numbers_are_those_of_the_language(browser):
    page = browser.page(locale="de-DE")
    page.goto(BASE + HOUSE + "/history?view=rank")
    assert re.search(r"\d,\d", page.inner_text(".ranking")) and not re.search(r"\d\.\d", page.inner_text(".ranking"))
    page.goto(BASE + HOUSE)
    a_body_has_come(page)
    assert not re.search(r"\d\.\d\d\u00a0kW", page.inner_text("main")), "the script writes as the server does"


def how_numbers_are_written_is_a_choice_that_stays(browser):
    page = browser.page(java_script_enabled=False)
    page.goto(BASE + HOUSE + "/history?view=rank&span=week")
    assert re.search(r"\d\.\d", page.inner_text(".ranking"))
    before = page.url
    page.get_by_role("link", name="otherwise").click()
    assert page.get_by_role("radio", checked=True).get_attribute("value") == "language"
    page.get_by_label("1.234,5", exact=False).check()
    page.get_by_role("button", name="Keep it").click()
    assert page.url == before, "it leads back"
    text = page.inner_text(".ranking")
    assert re.search(r"\d,\d", text) and not re.search(r"\d\.\d", text), text[:300]
    # On every page, and in what the script writes.
    state = page.context.storage_state()
    live = browser.page(storage_state=state)
    for path in [HOUSE, HOUSE + "/panel", HOUSE + "/circuits/refrigerator", "/sites"]:
        live.goto(BASE + path)
        if live.locator("[data-clock]").count():
            a_body_has_come(live)
        text = live.inner_text("main")
        # Decimals are one or two; three digits after a point are thousands.
        assert not re.search(r"\d\.\d{1,2}\u00a0(k?W|k?Wh|A|%)", text), (path, text)
    live.goto(BASE + "/preferences?next=%2F%2Felsewhere.example")
    assert live.get_by_role("link", name="Back").get_attribute("href") == "./"
    # By keyboard: the first of the ways, which is the browser's language again.
    live.get_by_role("radio", checked=True).focus()
    for _ in range(4):
        if live.get_by_role("radio", checked=True).get_attribute("value") == "language":
            break
        live.keyboard.press("ArrowUp")
    with live.expect_navigation():
        live.keyboard.press("Enter")
    live.goto(BASE + HOUSE + "/history?view=rank")
    assert re.search(r"\d\.\d", live.inner_text(".ranking"))


def links_of(text):
    """Where a page leads: links, what it loads, and what its forms send to."""
    found = []

    class Reader(html.parser.HTMLParser):
        def handle_starttag(self, tag, attributes):
            has = dict(attributes)
            for name in ["href", "src", "action"]:
                if has.get(name):
                    found.append((tag, has.get("method", "get"), has[name]))

    Reader().feed(text)
    return found


def every_link_leads_somewhere(browser):
    """From the first page to wherever links lead, dates apart: none is missing, none breaks."""
    todo, seen, fragments = [("/", "start")], set(), []
    pages = {}

    def kind(path):
        """The address without its date: History is endless, and one day is as the other. Each circuit is visited
        once, and all further views of one of them."""
        parsed = urllib.parse.urlsplit(path)
        apart = ("at", "from", "to", "next", "circuit")
        query = [(name, value) for name, value in urllib.parse.parse_qsl(parsed.query) if name not in apart]
        place = re.sub("/circuits/[^/]+", "/circuits/any", parsed.path) if parsed.query else parsed.path
        return place + "?" + urllib.parse.urlencode(sorted(query))

    while todo:
        path, source = todo.pop()
        if kind(path) in seen:
            continue
        seen.add(kind(path))
        assert len(seen) < 1_000, "the pages lead on and on"
        try:
            with urllib.request.urlopen(BASE + path, timeout=60) as answer:
                text, content = answer.read(), answer.headers["content-type"]
                # Where it was led to, for what is relative to it.
                here = urllib.parse.urlsplit(answer.url)
        except urllib.error.HTTPError as error:
            # What only takes forms says so.
            assert error.code == 405 and source.endswith("(post)"), f"{path}, on {source}: {error.code}"
            continue
        if not content.startswith("text/html"):
            continue
        page = text.decode()
        pages[here.path] = page
        for tag, method, target in links_of(page):
            url = urllib.parse.urlsplit(urllib.parse.urljoin(answer.url, target))
            assert f"{url.scheme}://{url.netloc}" == BASE, f"{path} leads to {target}"
            if url.fragment:
                fragments.append((url.path, url.fragment, path))
            onward = url.path + (f"?{url.query}" if url.query else "")
            todo.append((onward, f"{path} ({method})" if tag == "form" else path))
    for path, fragment, source in fragments:
        assert f'id="{fragment}"' in pages.get(path, ""), f"{source} leads to {path}#{fragment}"
    for needed in ["/setup", HOUSE + "/verify", HOUSE + "/schedule", "/openapi.json", "/preferences"]:
        assert any(one.startswith(needed + "?") for one in seen), f"nothing leads to {needed}"
    print(f"   {len(seen)} addresses")


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


TASKS = [
    what_uses_most_this_month,
    when_the_sun_last_covered_the_whole_house,
    what_is_not_tracked,
    which_ct_is_on_the_well_pump,
    whether_anything_is_wrong,
    the_figures_are_those_of_the_api_and_live,
    history_turns_by_click_key_and_swipe,
    values_are_read_by_pointer_finger_and_key,
    what_is_shown_can_be_kept_as_a_file,
    a_note_is_added_and_removed,
    without_script_it_reads_all_the_same,
    hostile_labels_are_text,
    numbers_are_those_of_the_language,
    how_numbers_are_written_is_a_choice_that_stays,
    a_keyboard_is_enough,
    every_link_leads_somewhere,
]

sys.exit(run(TASKS, SHOTS, refused=404, patience_ms=60_000))
