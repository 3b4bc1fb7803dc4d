"""Every call of every notebook, on whole, partial, short and hostile logs, without a kernel."""

import html.parser
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_plant import small_tables, write_small_plant
from test_results import assert_declared

from pressstats import pages
from pressstats.exhibits import PAGE_TYPE, Block
from pressstats.logs import read_logs
from pressstats.paper import waste_totals
from pressstats.past import past_forecasts
from pressstats.results import analyse

pytestmark = pytest.mark.usefixtures("few_draws")

NOTEBOOKS = sorted((Path(__file__).parent.parent / "notebooks").glob("*.ipynb"))
HOSTILE = [
    "<script>alert(1)</script>",
    "=1+1",
    "\"quoted\" & 'single' <b>bold</b>",
    "long " * 60,
    "\u05e2\u05d9\u05ea\u05d5\u05df \u202e\u05dc\u05d9\u05dc\u05d4",
]


#: Calls that show nothing where there is nothing to add.
MAY_SAY_NOTHING = (
    "pages.weekly_actions.further_actions(results)",
    "pages.weekly_actions.other_actions(results)",
    "pages.weekly_sheet.year_words(results)",
)


def results_of(folder, tables):
    write_small_plant(folder, tables)
    logs = read_logs(folder)
    return analyse(logs, *past_forecasts(None, logs.as_of))


def only(*names):
    def keep(tables):
        return {name: table for name, table in tables.items() if name in ("runs", "run_webs", *names)}

    return keep


def without(name):
    """Leave a table with nothing but its header: it counts as absent, and reading it is a problem besides."""
    return lambda tables: tables | {name: tables[name].head(0)}


def spoil(tables):
    """Put hostile words into every free text of the logs."""
    tables = {name: table.copy() for name, table in tables.items()}
    daily = tables["runs"]["title"] == "Daily"
    tables["runs"].loc[daily, "title"] = HOSTILE[0]
    tables["runs"].loc[~daily, "title"] = HOSTILE[3]
    tables["runs"]["press"] = tables["runs"]["press"].map({"P1": HOSTILE[2], "P2": HOSTILE[4]})
    names = {"N1200": HOSTILE[1], "black": HOSTILE[0], "Northmill": HOSTILE[2], "Eastmill": HOSTILE[4]}
    for table in tables.values():
        for column in ("material", "supplier"):
            if column in table:
                table[column] = table[column].replace(names)
    tables["standby"]["supply"] = HOSTILE[0]
    tables["standby"]["contact"] = HOSTILE[2]
    tables["reel_mounts"]["reelstand"] = HOSTILE[0]
    return tables


CASES = {
    "whole": (400, dict),
    "two weeks": (14, dict),
    "one night": (1, dict),
    "required tables only": (28, only()),
    "no materials": (28, without("materials")),
    "no reel mounts": (28, without("reel_mounts")),
    "no coverage": (28, without("coverage")),
    "no dips": (28, without("tank_readings")),
    "no deliveries": (28, without("deliveries")),
    "hostile": (120, spoil),  # by a fixture, since another test looks at it too
}


def calls():
    # What is shown of several plants is looked at with them (`test_group.py`).
    for path in (path for path in NOTEBOOKS if path.stem != "group"):
        for cell in json.loads(path.read_text())["cells"]:
            source = "".join(cell["source"])
            # The opening is no block where nothing is wrong with the logs as a whole.
            if cell["cell_type"] == "code" and source.startswith("pages.") and "opening" not in source:
                yield source


class Text(html.parser.HTMLParser):
    """What a reader sees of a block, and which elements it holds."""

    def __init__(self, markup):
        super().__init__()
        self.words, self.tags, self.attributes, self._inside = [], [], [], None
        self.feed(markup)

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.attributes += attributes
        self._inside = tag

    def handle_endtag(self, tag):
        self._inside = None

    def handle_data(self, data):
        if self._inside != "script":
            self.words.append(data)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    return results_of(tmp_path_factory.mktemp("hostile"), spoil(dict(small_tables(120))))


@pytest.fixture(scope="module", params=CASES)
def blocks(request, tmp_path_factory):
    if request.param == "hostile":
        results = request.getfixturevalue("hostile")
    else:
        days, change = CASES[request.param]
        results = results_of(tmp_path_factory.mktemp("plant"), change(dict(small_tables(days))))
    assert_declared(results)
    shown = {}
    for call in calls():
        value = eval(call, {"pages": pages, "results": results})
        if ".key_figures(" not in call and not (value is None and call in MAY_SAY_NOTHING):
            shown[call] = value
    return request.param, shown


def test_every_call_shows_a_block_of_plain_markup(blocks):
    case, shown = blocks
    assert len(shown) > 50
    for call, block in shown.items():
        assert isinstance(block, Block), call
        markup = block._repr_mimebundle_()[PAGE_TYPE]
        seen = Text(markup)
        assert "script" not in [tag for tag in seen.tags if tag != "script"]
        for name, value in seen.attributes:
            assert not name.startswith("on"), (case, call, name)
            assert name not in ("src", "href") or value.startswith(
                ("tables/", "suppliers/", "buying_outlook.xlsx")
            ), (case, call, value)
        assert markup.count("<script") == markup.count('<script type="application/json"'), (case, call)
        words = " ".join(seen.words)
        for bad in ("nan ", "NaT", "None", "inf "):
            assert bad not in words, (case, call, words[:300])


def test_names_of_blocks_are_unique_within_a_notebook(blocks):
    _, shown = blocks
    by_page = {}
    for call, block in shown.items():
        for name, value in Text(block.markup).attributes:
            if name == "id":
                by_page.setdefault(call.split("(")[0].rsplit(".", 1)[0], []).append(value)
    for page, names in by_page.items():
        # The foot stands once on every page under one name; calls shared by notebooks are one call here.
        assert len(names) == len(set(names)), page


def test_hostile_words_are_read_as_they_are(hostile):
    by_title = Text(pages.paper_balance.by_title(hostile).markup)
    assert HOSTILE[0] in by_title.words
    assert "bdi" in by_title.tags
    breaks = Text(pages.reels.breaks(hostile).markup)
    assert HOSTILE[2] in breaks.words
    stands = pages.reel_ends.stands(hostile)
    assert HOSTILE[0] in Text(stands.markup).words
    # In the figure itself the tag is an entity, which plotly shows as text.
    assert "&lt;script&gt;" in str(stands.figure)
    assert "<script" not in str(stands.figure)


def test_last_weeks_are_whole_weeks(tmp_path):
    results = results_of(tmp_path, small_tables(24))  # the last run is on a Wednesday
    frame = pd.DataFrame({"week": pd.date_range("2025-03-03", periods=5, freq="7D")})
    assert results.logs.as_of == pd.Timestamp("2025-03-26")
    shown = pages.common.last_weeks(results, 2, frame)["week"]
    assert shown.tolist() == [pd.Timestamp("2025-03-10"), pd.Timestamp("2025-03-17")]


def test_totals_leave_out_runs_without_reels(tmp_path):
    tables = dict(small_tables(14))
    mounts = tables["reel_mounts"]
    tables["reel_mounts"] = mounts[mounts["run_id"] != "0001"]
    results = results_of(tmp_path, tables)
    sums = waste_totals(results.run_balance)
    assert sums["runs"] == 15
    whole = results.run_balance[results.run_balance["run_id"] != "0001"]
    assert sums["mounted_kg"] == pytest.approx(whole["mounted_kg"].sum())
    assert sums["good_kg"] == pytest.approx(whole["good_kg"].sum())
    waste = 100 * (1 - (sums["good_kg"] + sums["good_grammage_kg"]) / sums["mounted_kg"])
    assert sums["waste_pct"] == pytest.approx(waste)
    assert np.isfinite(waste)
