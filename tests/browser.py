"""Pages opened from disk in a real browser: what they fetch and say, how they print, and who cannot use them."""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from axe_playwright_python.sync_playwright import Axe

if TYPE_CHECKING:
    from playwright import sync_api

PROGRAM = next(
    (path for path in map(shutil.which, ("chromium", "chromium-browser", "google-chrome")) if path), None
)
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


@dataclass
class Visit:
    """A page as it was found."""

    page: sync_api.Page
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)


class Tab:
    """A page that is opened again and again: what draws its figures is compiled for the first of them alone."""

    def __init__(self, browser: sync_api.Browser) -> None:
        self.page = browser.new_context().new_page()
        self._found = Visit(self.page)

        def guard(route: sync_api.Route) -> None:
            if route.request.url.startswith(("file:", "data:", "blob:")):
                route.continue_()
            else:
                self._found.requests.append(route.request.url)
                route.abort()

        def asked(dialog: sync_api.Dialog) -> None:
            self._complain(f"dialog {dialog.message}")
            dialog.dismiss()

        self.page.route("**/*", guard)
        self.page.on("dialog", asked)
        self.page.on("pageerror", lambda error: self._complain(str(error)))
        self.page.on("requestfailed", lambda request: self._complain(f"failed {request.url}"))
        self.page.on("console", lambda message: self._complain(f"{message.type} {message.text}"))

    def _complain(self, of: str) -> None:
        self._found.complaints.append(of)

    def visit(self, path: Path, *, scheme: str = "light", width: int = 1280) -> Visit:
        """Open a page from disk; requests to anywhere else are stopped and counted."""
        page = self.page
        page.goto("about:blank")
        self._found = found = Visit(page)
        page.set_viewport_size({"width": width, "height": 900})
        page.emulate_media(color_scheme=scheme, media="null")  # type: ignore[arg-type]
        page.goto(path.as_uri())
        if page.locator(".plot").count():
            page.wait_for_selector("html[data-drawn]", timeout=30_000)
        return found


def visit(browser: sync_api.Browser, path: Path, *, scheme: str = "light", width: int = 1280) -> Visit:
    """Open a page from disk in a tab of its own."""
    return Tab(browser).visit(path, scheme=scheme, width=width)


def barriers(page: sync_api.Page) -> list[str]:
    """Return what keeps somebody from using a page, in light and in dark: rule and place.

    What is folded counts; of each table the first rows do, and of a figure what is said of it.
    """
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    page.evaluate("document.querySelectorAll('tbody tr:nth-child(n+4)').forEach(row => row.remove())")
    page.evaluate("document.querySelectorAll('.plot').forEach(one => { one.replaceChildren(); })")
    found = []
    for scheme, rules in (("light", {}), ("dark", {"runOnly": ["color-contrast"]})):
        page.emulate_media(color_scheme=scheme, media="screen")  # type: ignore[arg-type]
        options = {"resultTypes": ["violations"], **rules}
        for one in Axe().run(page, options=options).response["violations"]:
            found += [f"{one['id']}: {node['target']} {node['html'][:120]}" for node in one["nodes"]]
    return found


def sides_of_paper(page: sync_api.Page) -> int:
    """Return on how many sides of A4 a page prints, as Chromium makes a PDF of it."""
    return len(re.findall(rb"/Type\s*/Page\b", page.pdf(prefer_css_page_size=True)))


def room_on_paper(page: sync_api.Page) -> float:
    """Return the room that the fullest of a page's own sheets of A4 has left [px], between margins of 12 and 13 mm."""
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 695, "height": 1032})
    ends = "(side, at) => at ? side.getBoundingClientRect().height : side.getBoundingClientRect().bottom + scrollY"
    return 1032 - page.evaluate(f"Math.max(...[...document.querySelectorAll('.side')].map({ends}))")


def too_wide_for_paper(page: sync_api.Page) -> list[str]:
    """Return the captions of tables that are wider than 180 mm of A4 when printed."""
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 680, "height": 1000})
    return page.evaluate(
        "[...document.querySelectorAll('table')]"
        ".filter(table => !table.closest('details:not([open])') && table.offsetWidth > 682)"
        ".map(table => table.caption.innerText)"
    )
