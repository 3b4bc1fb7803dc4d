"""The blocks that notebooks show: nothing logged becomes markup, every number is written one way."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest
from stand_ins import HOSTILE, StandInResults

from pressstats import exhibits, markup, palette
from pressstats.exhibits import Card, Shown, Tile
from pressstats.palette import COLOURS
from pressstats.tables import OUTPUTS


class Reader(HTMLParser):
    """Collects tags and text as a browser would see them."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


def read(html: str) -> Reader:
    reader = Reader()
    reader.feed(html)
    return reader


def seen(text: str) -> str:
    """What is left of a hostile text when its invisible characters are taken out."""
    return text.replace("\u202e", "")


def figure_of(*texts: str) -> go.Figure:
    return go.Figure(go.Bar(x=[markup.label(text) for text in texts], y=list(range(len(texts)))))


ALLOWED = {
    *("p", "bdi", "strong", "div", "dl", "dt", "dd", "span", "ul", "ol", "li", "table", "caption", "thead"),
    *(
        "tbody",
        "tr",
        "th",
        "td",
        "abbr",
        "a",
        "figure",
        "figcaption",
        "details",
        "summary",
        "section",
        "script",
    ),
}


def blocks_with(text: str) -> list[exhibits.Block]:
    frame = pd.DataFrame({"title": pd.Series([text], dtype="str"), "kg": [1.0]})
    said = exhibits.logged(text, 400)
    return [
        exhibits.headline(said, said),
        exhibits.say(said),
        exhibits.caution(said),
        exhibits.note(said),
        exhibits.points([said]),
        exhibits.tiles([Tile(said, said, text, said, "in control")]),
        exhibits.sheet(frame, name="t", caption=said, columns=[Shown("title", text, text), Shown("kg")]),
        exhibits.exhibit(figure_of(text), name="f", finding=said, table=frame, file="reels"),
    ]


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_text_in_every_block(text: str) -> None:
    for block in blocks_with(text):
        page = read(block.markup)
        assert {tag for tag, _ in page.tags} <= ALLOWED
        assert all(not name.startswith("on") for _, attributes in page.tags for name in attributes)
        scripts = [attributes for tag, attributes in page.tags if tag == "script"]
        assert all(attributes["type"] == "application/json" for attributes in scripts)
        assert seen(text) in page.text


def test_hostile_text_is_the_same_without_a_mark_of_its_own() -> None:
    # a text nobody marked as logged still cannot become markup, only bold
    for text in HOSTILE:
        tags = {tag for tag, _ in read(exhibits.say(text).markup).tags}
        assert tags <= {"p", "strong"}


def test_no_line_begins_with_the_sign_of_a_percentage() -> None:
    html = exhibits.say(f"waste 4.3 % of {exhibits.logged('Title 5 %')}, a % sign").markup
    assert html == '<p>waste 4.3\u00a0% of <bdi dir="auto">Title 5 %</bdi>, a % sign</p>'


def test_stars_are_bold_in_our_sentences_and_stars_in_logged_text() -> None:
    html = exhibits.say(f"**Bold {exhibits.logged('**not** bold')}** plain").markup
    assert html == '<p><strong>Bold <bdi dir="auto">**not** bold</bdi></strong> plain</p>'
    assert markup.plain(f"**a** {exhibits.logged('**b**')}") == "a **b**"


def test_marks_and_placeholders_inside_a_logged_text_do_nothing() -> None:
    html = markup.inline(exhibits.logged("a\u2069 \ue0000\ue001 \u2068b") + " \ue0000\ue001")
    assert html == '<bdi dir="auto">a 0 b</bdi> 0'


def test_long_text_is_shortened_with_an_ellipsis() -> None:
    assert markup.plain(exhibits.logged("x" * 300)) == "x" * 79 + "…"
    assert exhibits.label("x" * 300) == "x" * 39 + "…"


def test_a_label_shows_literally_what_plotly_would_interpret() -> None:
    assert exhibits.label("<b>&amp;</b>") == "&lt;b&gt;&amp;amp;&lt;/b&gt;"
    assert "%{" not in exhibits.label("%{x}")
    assert exhibits.label("$y$") == "&#36;y&#36;"
    assert exhibits.label("שלום").startswith("\u2068")


def test_labels_keep_texts_apart_that_are_shortened_alike() -> None:
    texts = ["t" * 60 + end for end in "abc"] + ["short", "short"]
    result = exhibits.labels(texts)
    assert list(result) == [*texts[:3], "short"]
    assert len(set(result.values())) == 4
    assert all(len(one) <= 40 for one in result.values())


def test_figure_data_cannot_leave_its_script_element() -> None:
    name = "</script><script>alert(1)</script>\u2028"
    block = exhibits.exhibit(
        go.Figure(go.Scatter(x=[1], y=[1], name=name)), name="f", finding="x", table=pd.DataFrame({"a": [1]})
    )
    inside = re.search(
        r'<script type="application/json" id="figure-f-data">(.*?)</script>', block.markup, re.S
    )
    assert inside is not None
    assert not set(inside[1]) & set("<>&\u2028\u2029")
    assert json.loads(inside[1])["data"][0]["name"] == name


def test_figure_data_is_plain_rounded_and_without_template() -> None:
    days = pd.to_datetime(["2025-03-03", "2025-03-04"])
    figure = go.Figure(go.Scatter(x=days, y=pd.Series([1234567.8, np.nan])))
    figure.add_heatmap(
        z=np.arange(6.0).reshape(2, 3), customdata=np.array([["a", 1], ["b", None]], dtype=object)
    )
    figure.add_scatter(x=pd.to_datetime(["2025-03-03 04:05"]), y=np.array([1.23456789], dtype="float32"))
    figure.update_layout(height=300, template="plotly")
    block = exhibits.exhibit(figure, name="f", finding="x", table=pd.DataFrame({"a": [1]}))
    text = re.search(r"<script[^>]*>(.*?)</script>", block.markup, re.S)
    assert text is not None
    data = json.loads(text[1])
    assert data["layout"] == {"height": 300}
    assert data["data"][0]["x"] == ["2025-03-03", "2025-03-04"]
    assert data["data"][0]["y"] == [1234570.0, None]
    assert data["data"][1]["z"] == [[0.0, 1.0, 2.0], [3.0, 4.0, 5.0]]
    assert data["data"][1]["customdata"] == [["a", 1], ["b", None]]
    assert data["data"][2]["x"] == ["2025-03-03T04:05:00"]
    assert data["data"][2]["y"] == [1.23457]
    assert "height:300px" in block.markup


def test_a_notebook_gets_a_live_figure_and_the_page_its_markup() -> None:
    block = exhibits.exhibit(
        figure_of("a"), name="f", finding="Paper **rose**.", table=pd.DataFrame({"a": [1.0]})
    )
    bundle = block._repr_mimebundle_()
    assert set(bundle) == {"text/plain", "text/html", exhibits.PAGE_TYPE, "application/vnd.plotly.v1+json"}
    layout = bundle["application/vnd.plotly.v1+json"]["layout"]
    assert layout["title"]["text"] == "Paper rose."
    # 78 letters of 14 pixels take 555 of the 600 that a figure has beside the file browser.
    words = exhibits.exhibit(
        figure_of("a"), name="f", finding="Words " * 40, table=pd.DataFrame({"a": [1.0]})
    )
    lines = words._repr_mimebundle_()["application/vnd.plotly.v1+json"]["layout"]["title"]["text"].split(
        "<br>"
    )
    assert max(map(len, lines)) <= 78
    assert layout["paper_bgcolor"] == COLOURS["panel"]  # readable in a dark JupyterLab
    json.dumps(bundle)
    again = block._repr_mimebundle_()["text/html"]
    assert "Plotly.newPlot(box" in again
    assert "Paper rose." in again
    assert len(again) < 100_000  # the library stands in the first figure of a process alone
    said = exhibits.headline("Paper **rose**.")._repr_mimebundle_()
    assert "text/html" in said
    assert said[exhibits.HEADLINE_TYPE] == {"text": "Paper **rose**.", "detail": ""}


def test_two_makings_of_a_figure_are_the_same_bytes() -> None:
    def make() -> str:
        return exhibits.exhibit(
            figure_of("a", "b"), name="f", finding="x", table=pd.DataFrame({"a": [1]})
        ).markup

    assert make() == make()


def test_a_figure_has_a_name_a_caption_and_its_numbers() -> None:
    block = exhibits.exhibit(
        figure_of("a"),
        name="mounted",
        finding="Paper **rose**.",
        table=pd.DataFrame({"mounted_kg": [1.0]}),
        file="paper_balance",
    )
    page = read(block.markup)
    plot = next(attributes for tag, attributes in page.tags if attributes.get("class") == "plot")
    assert plot["role"] == "img"
    assert plot["aria-label"] == "Figure: Paper rose."
    assert "<figcaption>Paper <strong>rose</strong>.</figcaption>" in block.markup
    assert ("a", {"href": "tables/paper_balance.csv"}) in page.tags
    assert [tag for tag, _ in page.tags if tag in ("figure", "details", "table")] == [
        "figure",
        "details",
        "table",
    ]


@pytest.mark.parametrize("name", ["", "Two words", "1st", "a<b", 'a"b'])
def test_a_name_that_is_no_identifier_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="small letters"):
        exhibits.sheet(pd.DataFrame({"a": [1]}), name=name, caption="x")


@pytest.mark.parametrize(
    ("value", "unit", "digits", "expected"),
    [
        (1234567.0, "kg", None, "1\u202f234\u202f567\u00a0kg"),
        (5.6149, "%", None, "5.61\u00a0%"),
        (0.012345, "", None, "0.0123"),
        (123.456, "m2", 1, "123.5\u00a0m²"),
        (-12.5, "g/m2", 1, "\u221212.5\u00a0g/m²"),
        (-0.0004, "", 1, "0.0"),
        (0.0, "um", None, "0\u00a0µm"),
        (float("nan"), "kg", None, "not available"),
        (float("inf"), "kg", None, "not available"),
    ],
)
def test_numbers_are_written_one_way(value: float, unit: str, digits: int | None, expected: str) -> None:
    assert exhibits.quantity(value, unit, digits) == expected


def cells(html: str) -> list[list[str]]:
    return [
        [
            re.sub(r"<[^>]+>", "", cell).replace("\u00a0", " ")
            for cell in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row)
        ]
        for row in re.findall(r"<tr[^>]*>(.*?)</tr>", html)
    ]


def test_a_table_formats_by_kind_and_shows_blanks_as_blanks() -> None:
    frame = pd.DataFrame(
        {
            "week": pd.to_datetime(["2025-03-03", None]),
            "read_at": pd.to_datetime(["2025-03-03 06:30", "2025-03-04 07:00"]),
            "mounted_kg": [123456.7, np.nan],
            "runs": [7.0, 12.0],
            "press": pd.Series(["P1", None], dtype="str"),
            "state": ["in control", "act"],
        }
    )
    columns = [
        *map(Shown, ("week", "read_at")),
        Shown("mounted_kg", "mounted", "kg"),
        *map(Shown, ("runs", "press")),
    ]
    html = exhibits.sheet(
        frame, name="t", caption="c", columns=[*columns, Shown("state", kind="state")]
    ).markup
    assert cells(html) == [
        ["week", "read at", "mounted kg", "runs", "press", "state"],
        ["Mon 3 Mar 2025", "Mon 3 Mar 2025 06:30", "123\u202f457", "7", "P1", "● In control"],
        ["–", "Tue 4 Mar 2025 07:00", "–", "12", "–", "■ Act"],
    ]
    assert html.count('<abbr class="blank" title="not available">–</abbr>') == 3
    assert '<td role="cell" data-head="runs" class="number">7</td>' in html
    # It may be broken before the year only.
    assert (
        '<th scope="row" role="rowheader" data-head="week" class="date">Mon\u00a03\u00a0Mar 2025</th>' in html
    )


def test_a_column_without_a_head_takes_label_and_unit_from_its_name() -> None:
    html = exhibits.sheet(pd.DataFrame({"strip_kg": [1.0]}), name="t", caption="c").markup
    assert '<th scope="col" class="number">strip <span class="unit">kg</span></th>' in html


def test_declared_columns_carry_their_units_and_the_currency() -> None:
    shown = exhibits.declared("reel_ends", "material", "splices", "lost_cost_per_year", currency="EUR")
    assert [one.unit for one in shown] == ["", "", "EUR / year"]
    assert shown[1].digits == 0
    assert [one.column for one in exhibits.declared("paper_balance")] == OUTPUTS["paper_balance"].names
    with pytest.raises(KeyError):
        exhibits.declared("paper_balance", "nothing")


def test_a_long_table_says_how_much_is_left_out_and_where_it_is() -> None:
    frame = pd.DataFrame({"kg": np.arange(1500.0)})
    html = exhibits.sheet(frame, name="t", caption="c", limit=10, file="reel_chain").markup
    assert len(cells(html)) == 11
    assert "The first 10 of 1\u202f500 rows; all are in" in html
    assert "No rows." in exhibits.sheet(frame.head(0), name="t", caption="c").markup


def test_a_table_says_what_paper_needs_to_know() -> None:
    one = pd.DataFrame({f"c{place}": [1.0] for place in range(10)})
    assert '<div class="sheet short many"' in exhibits.sheet(one, name="t", caption="c").markup
    long = pd.DataFrame({"why": pd.Series(["word " * 20] * 20, dtype="str"), "kg": np.arange(20.0)})
    html = exhibits.sheet(long, name="t", caption="c").markup
    assert '<div class="sheet" id="table-t">' in html
    assert html.count('class="text long"') == 21
    # A code that is kept in one piece makes no cell longer.
    codes = pd.DataFrame({"what": ["start-up waste", "N45-1260 and N52-1260"], "kg": [1.0, 2.0]})
    assert "long" not in exhibits.sheet(codes, name="t", caption="c").markup


def test_a_row_that_ends_in_a_sentence_can_stand_by_itself() -> None:
    frame = pd.DataFrame({"what": ["ends"], "cost": [3.0], "why": ["word " * 20]})
    html = exhibits.sheet(
        frame, name="t", caption="c", columns=[Shown("what"), Shown("cost", "cost", "EUR"), Shown("why")]
    ).markup
    assert 'class="scroll rows told"' in html
    assert '<td role="cell" data-head="cost [EUR]" class="number">3</td>' in html
    # What the layout takes from a table, its roles give back.
    assert [html.count(f'role="{one}"') for one in ("table", "row", "columnheader", "rowheader")] == [
        1,
        2,
        3,
        1,
    ]
    for columns in (["what", "why", "cost"], ["what", "why"]):
        assert " told" not in exhibits.sheet(frame[columns], name="t", caption="c").markup


def test_a_table_too_wide_for_a_phone_folds_or_keeps_its_first_column() -> None:
    """A phone of 390 px shows about 46 characters of a table's type side by side (measured in Chromium)."""
    words = {name: [name * 4] * 8 for name in ("plant", "paper", "press")}
    numbers = {f"number {n}": [123456.0] * 8 for n in range(6)}

    def shape(parts: dict[str, list[Any]], rows: int = 8) -> str:
        html = exhibits.sheet(pd.DataFrame(parts).head(rows), name="t", caption="c").markup
        found = re.search('<div class="scroll ?([a-z ]*)"', html)
        assert found is not None
        return found[1]

    assert shape({"press": ["P1"] * 8, "number 1": [1.0] * 8}) == ""
    assert shape(words | {"number 1": [1.0] * 8}) == "rows"
    assert shape({"press": ["P1"] * 8} | numbers) == "kept"
    # Of few rows nothing is compared down a column; of some most columns would be out of sight.
    assert shape({"press": ["P1"] * 8} | numbers, rows=4) == "rows"
    many = {f"number {n}": [123456.0] * 17 for n in range(12)}
    assert shape({"press": ["P1"] * 17} | many, rows=16) == "rows"
    assert shape({"press": ["P1"] * 17} | many, rows=17) == "kept"


def test_a_card_has_its_columns_side_by_side_and_a_space_to_write_in_under_each() -> None:
    card = Card(
        "Mill <1>", "1 EUR", [("due", "today")], ["what", "a", "b"], [["reels", "1", ""]], [["kg", "2", "3"]],
        "because", ["number", "number of a", ""],
    )  # fmt: skip
    block = exhibits.cards([card], name="c", beside=exhibits.note("first"), beside_head="Read", unkept="lost")
    html = block.markup
    assert "Mill &lt;1&gt;" in html
    assert '<th scope="row">reels</th><td>1</td><td></td>' in html
    assert html.count("<input") == html.count('aria-label="number of a"') == 1
    assert block.text.splitlines() == [
        "Mill <1>: 1 EUR; due today",
        "what a b",
        "reels 1",
        "kg 2 3",
        "Read:",
        "first",
    ]


def test_a_column_that_is_not_there_is_an_error_that_names_it() -> None:
    with pytest.raises(KeyError, match="nothing"):
        exhibits.sheet(pd.DataFrame({"a": [1]}), name="t", caption="c", columns=[Shown("nothing")])


def test_tiles_say_their_state_in_a_word_and_a_mark() -> None:
    html = exhibits.tiles(
        [Tile("Cover", 6, "day", state="act", because="too few"), Tile("Ink", float("nan"), "kg")]
    ).markup
    assert '<span aria-hidden="true">■</span> Act</dd><dd class="because">too few</dd>' in html
    assert '<dd class="value" title="not available">–</dd>' in html
    with pytest.raises(ValueError, match="fine"):
        exhibits.tiles([Tile("Cover", 6, state="fine")])
    marks = [mark for _, mark in exhibits.STATES.values()]
    assert len(set(marks)) == len(marks)


def test_the_foot_names_each_input_with_digest_rows_and_days() -> None:
    logs = StandInResults(plant="A & B").logs
    html = exhibits.provenance(logs).markup  # type: ignore[arg-type]
    assert "covers Wed 1 Jan 2025 to Sun 2 Mar 2025. " in html
    assert '<bdi dir="auto">A &amp; B</bdi>' in html
    row = ['runs "<i>x</i>".csv', "runs", "10", "8", "1", "1", "Wed 1 Jan 2025", "Sun 2 Mar 2025", "ab" * 6]
    assert row in [[read(cell).text for cell in line] for line in cells(html)]
    logs.sources = (
        SimpleNamespace(**{**vars(logs.sources[0]), "first": None, "last": pd.NaT, "table": "x"}),
    )
    assert "covers all up to Sun 2 Mar 2025" in exhibits.provenance(logs).markup  # type: ignore[arg-type]


def luminance(colour: str) -> float:
    """Relative luminance, Web Content Accessibility Guidelines 2.2 (formula from memory)."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
def test_text_colours_stand_out_from_their_ground(scheme: int) -> None:
    # 4.5 : 1 for text and 3 : 1 for marks, success criteria 1.4.3 and 1.4.11 of the same guidelines
    for role, pair in palette.PAIRS.items():
        if role in ("ground", "panel", "rule", "grid"):
            continue
        least = 4.5 if role in ("text", "muted", "accent", "good", "watch", "act") else 3.0
        for ground in ("ground", "panel"):
            one, other = luminance(pair[scheme]), luminance(palette.PAIRS[ground][scheme])
            high, low = max(one, other), min(one, other)
            assert (high + 0.05) / (low + 0.05) >= least, (role, ground)


def test_every_light_colour_has_one_dark_partner() -> None:
    assert len(palette.swaps()) == len(palette.PAIRS)
    assert palette.tint("text", 0.25) == "rgba(29,27,24,0.25)"
    assert all(one != other for one, other in pairwise(palette.SERIES))
    with pytest.raises(KeyError):
        palette.tint("teal", 0.5)


def test_heads_of_a_table_are_read_from_one_line():
    shown = exhibits.heads("title; q05: 1 in 20 below, % [kg / day] .2; on: due <date>; two words .0")
    assert shown == [
        Shown("title"),
        Shown("q05", "1 in 20 below, %", "kg / day", 2),
        Shown("on", "due", kind="date"),
        Shown("two words", digits=0),
    ]
    with pytest.raises(ValueError, match="is not name"):
        exhibits.heads("title; : nothing")


def test_a_column_that_may_be_left_out_is_where_all_of_it_is_blank():
    frame = pd.DataFrame({"kg": [1.0, 2.0], "last_year": [np.nan, np.nan], "budget": [np.nan, 3.0]})
    shown = exhibits.sheet(
        frame, name="a", caption="b", columns="kg; last_year?: last year [kg]; budget?: budget [kg]"
    )
    assert "last year" not in shown.markup
    assert "budget" in shown.markup
