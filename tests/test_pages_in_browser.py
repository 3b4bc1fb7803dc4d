"""Every page in a real browser: opened from disk, all figures drawn, nothing fetched, nothing complained of.

Whether a page can be used by everybody is asked of axe-core, a library of checks of the Web Content Accessibility
Guidelines (contrast, names, landmarks, order of headings, what the keyboard reaches).
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from stand_ins import HOSTILE

from pressstats.palette import PAIRS

if TYPE_CHECKING:
    from pressstats.publishing import Publication

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

from browser import (  # noqa: E402
    FLAGS,
    PROGRAM,
    Tab,
    Visit,
    barriers,
    room_on_paper,
    sides_of_paper,
    too_wide_for_paper,
)

REQUIRED = os.environ.get("PRESSSTATS_REQUIRE_BROWSER") == "1"


@pytest.fixture(scope="module")
def tab() -> Iterator[Tab]:
    if PROGRAM is None:
        message = "no Chromium on this machine (PRESSSTATS_REQUIRE_BROWSER=1 makes this a failure)"
        pytest.fail(message) if REQUIRED else pytest.skip(message)
    with sync_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=PROGRAM, args=list(FLAGS))
        yield Tab(started)
        started.close()


def sound(found: Visit) -> None:
    """Check what every page must be."""
    page = found.page
    assert found.requests == []
    assert found.complaints == []
    exhibits = page.locator("figure.exhibit").count()
    assert page.locator("figure.exhibit .plot .main-svg:first-child").count() == exhibits
    if exhibits:
        assert page.evaluate("document.documentElement.dataset.drawn") == str(exhibits)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "the page scrolls sideways"
    assert page.locator("h1").count() == 1
    for landmark in ("header.masthead", "main", "footer"):
        assert page.locator(landmark).count() == 1
    assert page.evaluate("new Set([...document.querySelectorAll('[id]')].map(e => e.id)).size") == (
        page.locator("[id]").count()
    )


def pages_of(publication: Publication) -> list[Path]:
    return [*sorted(publication.folder.glob("*.html")), publication.folder.parent / "index.html"]


#: A desk by day and a phone by night: to draw a page is what takes the time.
SCREENS = pytest.mark.parametrize(
    ("scheme", "width"), [("light", 1280), ("dark", 390)], ids=["desk", "phone in the dark"]
)


@SCREENS
def test_stand_in_pages_are_sound(
    tab: Tab, stand_in_publication: Publication, scheme: str, width: int
) -> None:
    for path in pages_of(stand_in_publication):
        found = tab.visit(path, scheme=scheme, width=width)
        sound(found)


def test_pages_of_the_invented_plant_are_sound_on_a_phone_and_a_desk_and_fit_a_sheet_of_paper(
    tab: Tab, demo_publication: Publication
) -> None:
    """Each is opened once, on a phone in the dark: a reader's screen may change, and to draw is what takes the time."""
    for path in [*pages_of(demo_publication), demo_publication.folder / "tables" / "index.html"]:
        found = tab.visit(path, scheme="dark", width=390)
        sound(found)
        assert columns_out_of_sight(found.page) == [], path.name
        if path.name == "weekly_page.html":
            reasons_are_in_sight(found.page)
        if path.name == "buying_outlook.html":
            order_cards_are_whole_on_a_phone(found.page)
        assert path.stat().st_size < 500_000, path.name
        found.page.emulate_media(color_scheme="light")
        found.page.set_viewport_size({"width": 1280, "height": 900})
        if found.page.locator(".plot").count():
            found.page.wait_for_selector("html[data-scheme=light]")
        # A figure follows its place when the machine has time for it.
        assert left_in_the_end(found.page, f"() => ({OF_ANOTHER_WIDTH})().length || []") == [], path.name
        sound(found)
        if path.name == "weekly_page.html":
            shown = "document.querySelector('#table-waste-cost .scroll')"
            assert found.page.evaluate(f"{shown}.scrollWidth <= {shown}.clientWidth"), "a column is cut off"
            assert sides_of_paper(found.page) == 2
            assert room_on_paper(found.page) >= 40
        assert too_wide_for_paper(found.page) == [], path.name
        assert barriers(found.page) == [], path.name


#: The figures that are not as wide as their place.
OF_ANOTHER_WIDTH = """() => [...document.querySelectorAll(".plot")].filter(place => {
    const drawn = place.querySelector(".main-svg");
    return place.clientWidth && (!drawn || Math.abs(drawn.getBoundingClientRect().width - place.clientWidth) > 1);
})"""
#: The tables of which a phone shows a part without a word on the rest, or loses what a row is of.
LOST = """() => [...document.querySelectorAll(".scroll")].filter(box => {
    const beyond = box.scrollWidth > box.clientWidth + 1;
    if (!beyond) return box.classList.contains("more");
    const first = box.querySelector("tbody tr > :first-child");
    const kept = !box.classList.contains("kept") || getComputedStyle(first).position === "sticky";
    return !box.classList.contains("more") || box.classList.contains("rows") || !kept;
}).map(box => box.getAttribute("aria-label"))"""


def left_in_the_end(page: sync_api.Page, what: str) -> Any:
    """Return what a function of the page finds once it finds nothing, or after half a minute.

    Playwright's own waiting evaluates text on the page, which the page's security policy refuses.
    """
    for _ in range(300):
        found = page.evaluate(what)
        if not found:
            break
        page.wait_for_timeout(100)
    return found


def columns_out_of_sight(page: sync_api.Page) -> list[str]:
    """Return the captions of tables that a phone loses something of, those that are folded away among them."""
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    # The page measures its tables after they are laid out.
    lost: list[str] = left_in_the_end(page, LOST)
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = false; })")
    return lost


def reasons_are_in_sight(page: sync_api.Page) -> None:
    """Check that no cell of what is to do lies beside a phone's screen."""
    rows = page.locator("#table-to-do tbody tr")
    assert rows.count() > 0
    for row in rows.all():
        for cell in row.locator("th, td").all():
            box = cell.bounding_box()
            assert box is not None
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= 390


def test_a_press_on_the_head_of_a_column_sorts_the_table(tab: Tab, stand_in_publication: Publication) -> None:
    page = tab.visit(stand_in_publication.folder / "week.html").page
    rows = [
        ["plate", "2\u202f415", "Wed 29 Oct", "act", "45 g 945 mm"],
        ["ink", "\u221212.5", "Fri 2 Jan 2026", "in-control", "45 g 1260 mm"],
        ["wash", "\u2013", "Mon 3 Nov", "watch", "52 g 630 mm"],
        ["all", "900", "Thu 30 Oct", "unknown", "\u2013"],
        ["cyan", "99 a year", "Tue 28 Oct", "unknown", "9 g"],
    ]
    page.evaluate(
        """rows => {
            const cells = ([name, size, day, state, what]) => `<tr><th><bdi>${name}</bdi></th><td>${size}</td>
                <td><bdi>${day}</bdi></td><td><span class="state state-${state}">x</span></td><td>${what}</td></tr>`;
            document.querySelector("article").innerHTML = `<div class="scroll"><table><thead><tr>
                ${["name", "size", "day", "state", "what"].map(head => `<th>${head}</th>`).join("")}
                </tr></thead><tbody>${rows.map(cells).join("")}</tbody></table></div>`;
            document.querySelector(".as-of time").dateTime = "2025-10-26";
        }""",
        rows,
    )
    page.evaluate(page.locator("body > script:not([src])").text_content() or "")

    def after(press: str, how: str) -> list[str]:
        button = page.get_by_role("button", name=press)
        button.focus()
        page.keyboard.press(how)
        return page.locator("tbody th").all_inner_texts()

    # the sum stays last, and what is not known before it
    assert after("size", "Enter") == ["ink", "cyan", "plate", "wash", "all"]
    assert page.locator("th[aria-sort]").all_inner_texts() == ["size"]
    assert page.locator("th[aria-sort]").get_attribute("aria-sort") == "ascending"
    assert after("size", "Space") == ["plate", "cyan", "ink", "wash", "all"]
    assert after("size", "Enter") == [name for name, *_ in rows]
    assert page.locator("th[aria-sort]").count() == 0
    assert after("day", "Enter") == ["cyan", "plate", "wash", "ink", "all"]
    assert after("state", "Enter") == ["plate", "wash", "cyan", "ink", "all"]
    assert after("what", "Enter") == ["cyan", "plate", "ink", "wash", "all"]
    assert after("name", "Enter") == ["cyan", "ink", "plate", "wash", "all"]
    # A head whose buttons have boxes is not repeated on the next sheet of paper (tried in Chromium 156).
    page.emulate_media(media="print")
    assert page.locator("thead button").first.evaluate("one => getComputedStyle(one).display") == "contents"


def test_a_publication_is_searched_by_the_words_that_stand_in_it(
    tab: Tab, stand_in_publication: Publication
) -> None:
    found = tab.visit(stand_in_publication.folder / "index.html")
    page = found.page
    page.fill("search input", "HELD mounted")
    assert page.get_by_role("status").inner_text() == "2 found"
    assert {text.split()[0] for text in page.locator("search li").all_inner_texts()} == {"Mounted"}
    # Text that means ill is found as text.
    page.fill("search input", "alert")
    assert page.locator("search li").count() >= 1
    assert "<script>" in page.locator("search ol").inner_text()
    page.fill("search input", "net good copies that nobody wrote")
    assert page.get_by_role("status").inner_text() == "0 found"
    page.fill("search input", "table stock_cover")
    assert page.locator("search li").all_inner_texts() == ["Table stock_cover Tables that are published"]
    page.fill("search input", "HELD mounted")
    page.locator("search a").first.click()
    assert page.locator(":target figcaption").inner_text().startswith("Mounted paper held")
    assert (found.complaints, found.requests) == ([], [])


def order_cards_are_whole_on_a_phone(page: sync_api.Page) -> None:
    """Check that what an order is placed with lies on the screen, and whom to ring above it."""
    cards = page.locator(".card")
    assert cards.count() >= 3
    ring = page.locator(".beside").bounding_box()
    first = cards.first.bounding_box()
    assert ring is not None
    assert first is not None
    assert ring["y"] + ring["height"] <= first["y"]
    beyond = """cards => cards.flatMap(card => [card, ...card.querySelectorAll("th, td, dt, dd, h3, input")])
        .map(part => part.getBoundingClientRect()).filter(box => box.left < 0 || box.right > innerWidth).length"""
    assert cards.evaluate_all(beyond) == 0
    outside = """cards => cards.flatMap(card => [...card.querySelectorAll("th, td, dd, h3")]
        .filter(part => part.getBoundingClientRect().right > card.getBoundingClientRect().right)).length"""
    assert cards.evaluate_all(outside) == 0
    # A number may be written into it, and the page says that it is not kept.
    page.get_by_label("Order number").first.fill("4711")
    # Each truck has a space of its own.
    trucks = [int(re.findall(r"(\d+) truck", head)[0]) for head in cards.locator("h3").all_inner_texts()]
    assert page.get_by_label("Order number").count() == sum(trucks)
    assert "not saved" in page.locator(".unkept").inner_text()


def test_hostile_text_shows_as_text_in_sentences_tables_and_figures(
    tab: Tab, stand_in_publication: Publication
) -> None:
    found = tab.visit(stand_in_publication.folder / "first.html")
    for summary in found.page.locator("summary").all():
        summary.click()
    shown = found.page.evaluate("document.body.innerText")
    ticks = found.page.locator("#figure-titles .yaxislayer-above text").all_text_contents()
    for text in HOSTILE:
        visible = text.replace("\u202e", "")
        assert visible in shown
        # an axis shows the start of a long text; what keeps a text's direction is not seen
        start = visible[:30].replace("%{", "%\u2060{")
        assert [tick for tick in ticks if tick.strip("\u2068\u2069").startswith(start)], text
    assert found.page.evaluate("document.images.length") == 0
    sound(found)


def test_hostile_logs_make_sound_pages(tab: Tab, hostile_publication: Publication) -> None:
    for path in pages_of(hostile_publication):
        found = tab.visit(path, width=390)
        sound(found)
        assert found.page.evaluate("document.images.length") == 0
        found.page.set_viewport_size({"width": 1280, "height": 900})
        sound(found)
        if path.name == "weekly_page.html":
            assert sides_of_paper(found.page) == 2


def test_figures_and_ground_change_with_the_readers_screen(
    tab: Tab, stand_in_publication: Publication
) -> None:
    found = tab.visit(stand_in_publication.folder / "week.html")
    line = "getComputedStyle(document.querySelector('#figure-mounted .js-line[style*=\"stroke-width: 2\"]')).stroke"
    ground = "getComputedStyle(document.body).backgroundColor"

    def rgb(role: str, which: int) -> str:
        colour = PAIRS[role][which]
        return f"rgb({', '.join(str(int(colour[place : place + 2], 16)) for place in (1, 3, 5))})"

    assert (found.page.evaluate(line), found.page.evaluate(ground)) == (rgb("series1", 0), rgb("ground", 0))
    found.page.emulate_media(color_scheme="dark")
    found.page.wait_for_selector("html[data-scheme=dark]")
    assert (found.page.evaluate(line), found.page.evaluate(ground)) == (rgb("series1", 1), rgb("ground", 1))
    sound(found)


def test_a_figure_fits_the_sheet_of_paper(tab: Tab, stand_in_publication: Publication) -> None:
    found = tab.visit(stand_in_publication.folder / "first.html")
    found.page.emulate_media(media="print")
    # 180 mm of A4 between its margins; paper, unlike a window, tells a figure nothing of its size
    found.page.evaluate("document.body.style.width = '680px'")
    for name in ("titles", "mounted"):
        column = found.page.locator(f"#figure-{name}").bounding_box()
        drawn = found.page.evaluate(
            f"[...document.querySelectorAll('#figure-{name} svg.main-svg text')]"
            ".map(text => text.getBoundingClientRect()).filter(box => box.width > 0)"
            ".map(box => [box.left, box.right, box.bottom])"
        )
        assert column is not None
        assert len(drawn) > 10
        for left, right, bottom in drawn:
            assert left >= column["x"] - 1
            assert right <= column["x"] + column["width"] + 1
            assert bottom <= column["y"] + column["height"] + 1
    assert found.page.locator(".modebar").count() == 0
    assert not found.page.locator("nav").is_visible()


def test_a_page_can_be_read_with_the_keyboard_alone(tab: Tab, stand_in_publication: Publication) -> None:
    found = tab.visit(stand_in_publication.folder / "week.html")
    found.page.keyboard.press("Tab")
    assert found.page.evaluate("document.activeElement.className") == "skip"
    found.page.keyboard.press("Enter")
    assert found.page.evaluate("document.activeElement.id") == "content"
    stops = []
    for _ in range(12):
        found.page.keyboard.press("Tab")
        stops.append(found.page.evaluate("document.activeElement.closest('.plot') !== null"))
    assert not any(stops)


def test_a_figure_that_cannot_be_drawn_says_so_and_opens_its_numbers(
    tab: Tab, stand_in_publication: Publication, tmp_path: Path
) -> None:
    folder = tmp_path / "copy"
    shutil.copytree(stand_in_publication.folder, folder)
    page = folder / "week.html"
    text = page.read_text(encoding="utf-8")
    page.write_text(
        text.replace('id="figure-mounted-data">{', 'id="figure-mounted-data">{{'), encoding="utf-8"
    )
    found = tab.visit(page)
    assert found.page.locator(".plot.failed").inner_text() == (
        "This figure could not be drawn; its numbers are below."
    )
    assert found.page.locator("#figure-mounted details table").is_visible()
    assert found.page.evaluate("document.documentElement.dataset.drawn") == "0"
    assert len(found.complaints) == 1


def test_a_script_smuggled_into_a_page_does_not_run(
    tab: Tab, stand_in_publication: Publication, tmp_path: Path
) -> None:
    # the last line of defence: the page's own policy, should a text ever reach it unescaped
    folder = tmp_path / "copy"
    shutil.copytree(stand_in_publication.folder, folder)
    page = folder / "week.html"
    text = page.read_text(encoding="utf-8")
    page.write_text(
        text.replace("<article>", "<article><script>window.smuggled = 1</script>"), encoding="utf-8"
    )
    found = tab.visit(page)
    assert found.page.evaluate("window.smuggled") is None
    assert found.page.locator("figure.exhibit .main-svg:first-child").count() == 1
