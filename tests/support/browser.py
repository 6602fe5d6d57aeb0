"""A real headless Chromium, and pages in it that remember what they asked for and complained of."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = [
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"),
    *("--disable-component-update", "--disable-sync"),
]
expect.set_options(timeout=15_000)
"""The page itself takes up to five seconds to call a station lost."""
needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="there is no chromium on this machine")


@contextmanager
def chromium() -> Iterator[Browser]:
    """One browser, nothing downloaded."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def opened(
    browser: Browser, address: str, *, width: int = 1000, height: int = 800, first: str | None = None
) -> Iterator[Page]:
    """The station's page, once it shows something; everything it asked for was asked of `address`, nothing was broken.

    `first` is a script that runs before the page's own.
    """
    context = browser.new_context(viewport={"width": width, "height": height})
    page = context.new_page()
    page.set_default_timeout(20_000)
    if first is not None:
        page.add_init_script(first)
    asked: list[str] = []
    broken: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("pageerror", lambda error: broken.append(str(error)))
    page.on("console", lambda said: broken.append(said.text) if "Content Security" in said.text else None)
    try:
        page.goto(address)
        page.locator("#decision-list li").first.wait_for()
        yield page
        assert broken == []
        assert [url for url in asked if not url.startswith(address)] == []
    finally:
        context.close()
