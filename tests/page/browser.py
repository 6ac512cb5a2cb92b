"""A browser for the tasks of the page tests, and their runner. Chromium is driven by Playwright."""

import time
import traceback

from playwright.sync_api import sync_playwright

PHONE = {"width": 360, "height": 740}
WALL = {"width": 1920, "height": 1080}


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


def run(tasks, shots, refused, patience_ms):
    """Does each task, with a line for it; gives 1 if one failed."""
    shots.mkdir(parents=True, exist_ok=True)
    failed = 0
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        browser = Browser(chromium, refused, patience_ms)
        for task in tasks:
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
