"""A page in headless Chromium that may reach nothing."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

FLAGS = [
    "--no-sandbox",  # root
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND",
]

PHONE, A4 = 390, 703  # CSS pixels: of a phone, of A4 within the margins
# What goes over its own box, or is broken in two although it is one address.
SPILLED = """(most) => [...document.querySelectorAll("code, svg.whom, svg.bars, .uplot, table")].filter((e) => e.checkVisibility())
  .filter((e) => e.tagName === "CODE" ? e.getClientRects().length > 1 : !e.closest(".scroll") && e.getBoundingClientRect().right > most)
  .map((e) => e.textContent.slice(0, 60))"""


@contextmanager
def chromium() -> "Iterator[Browser]":
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
        yield browser
        browser.close()


class Opened:
    """`page`, and what it did beside being shown: requests but for the file itself, console lines, errors,
    dialogs."""

    def __init__(self, browser: "Browser", file: Path, width: int = 1280, **more: object) -> None:
        context = browser.new_context(offline=True, viewport={"width": width, "height": 900}, **more)  # type: ignore[arg-type]
        self.page: Page = context.new_page()
        self.did: list[str] = []
        url = file.as_uri()
        self.page.on("request", lambda request: request.url == url or self.did.append(request.url))
        self.page.on("console", lambda line: self.did.append(line.text))
        self.page.on("pageerror", lambda error: self.did.append(str(error)))
        self.page.on("dialog", lambda dialog: (self.did.append(dialog.message), dialog.dismiss()))
        self.page.goto(url)


def violations(page: "Page") -> list:
    """What axe finds against a page."""
    from axe_playwright_python.sync_playwright import Axe

    return Axe().run(page).response["violations"]
