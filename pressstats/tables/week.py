"""The published tables of the week and the night: how figures came about, what comes, what is laid out for tonight."""

from __future__ import annotations

from .columns import Table
from .columns import count as _c
from .columns import date as _d
from .columns import limits as _limits
from .columns import number as _n
from .columns import text as _t
from .columns import time as _time

__all__ = ["WEEK"]

#: In the order in which they are published.
WEEK = (
    Table("exceptions", "exception", ("exception",)).holding(
        _t("exception", "name of the exception, the same from week to week"),
        _t("kind", "kind of exception"),
        _t("subject", "what it is about: a material, press, supplier, delivery"),
        _d("week", "first day of the week in which it began"),
        _n("size", "", "how large, in its unit"),
        _t("unit", "of the size"),
        _n("cost", "currency", "on the basis beside it; blank: unknown or none"),
        _t(
            "cost_basis",
            "to date, a year, or by its (a contract's) end, and a price assumed in it; empty: no cost",
        ),
        _t("state", "act or watch"),
        _t("owner", "who is asked"),
        _d("by", "last day to do it, where that is fixed; blank: as pressing as its kind"),
        _t("why", "reason, in words"),
    ),
    Table("week_figures", "figure of the week", ("figure",)).holding(
        _t("figure", "name of the figure"),
        _n("value", "", "of the last whole week, or as `why` says"),
        _t("unit", "of all numbers of the row"),
        *_limits("", "", "95 % interval of the value, where it has one"),
        _n("last_week", "", "the same of the week before"),
        _n("last_year", "", "the same 52 weeks before"),
        _n("weeks_13", "", "the same of the last 13 whole weeks together"),
        _n("target", "", "what it is held against; blank: nothing"),
        _t("state", "in control, watch, act, unknown; empty where nothing is judged"),
        _t("why", "reason, in words"),
    ),
    Table("to_do", "thing to do", ("rank",)).holding(
        _c("rank", "what needs action first, each by day, how pressing it is, and money"),
        _t("about", "what it is about, in a few words"),
        _t("do", "what to do"),
        _t("who", "owner of the figure in plant.toml, or the usual one"),
        _d("by", "latest day"),
        _t("why", "reason, in words"),
        _n("cost", "currency", "on the basis beside it; blank: unknown"),
        _t(
            "cost_basis",
            "to date, a year, by its (a contract's) end, or order value, and a price assumed in it",
        ),
        _t("state", "act or watch"),
        _t("exception", "exceptions that it answers, parted by ;"),
    ),
    Table("week_history", "figure and week", ("figure", "week")).holding(
        _t("figure", "name of the figure, as in week_figures"),
        _d("week", "first day of the week"),
        _n("value", "unit of the figure", "what week_figures would have shown after that week"),
    ),
    Table(
        "exception_changes", "exception that came or went since the publication before", ("exception",)
    ).holding(
        _t("exception", "name of the exception"),
        _t("kind", "kind of exception"),
        _t("subject", "what it is about"),
        _t("change", "new or resolved"),
        _d("since", "as-of day of the publication before"),
    ),
    Table("coming_days", "day of the seven after as-of", ("date",)).holding(
        _d("date", "day: of publication, of receipts, of orders"),
        _c("issues", "titles that come out"),
        _c("booked", "how many of them the plan books; the others by their own past"),
        _t("titles", "their names"),
        _n("copies", "1", "copies: as booked, else expected"),
        _n("pages", "1", "pages of one copy of each title, added up: as booked, else expected"),
        _t("event", "events that the plan names"),
        _t("closed", "no publication, public holiday, no receipts, no orders; parted by ;"),
        _t("due", "open order lines promised for the day, by material; parted by ;"),
    ),
    Table("coming_paper", "day and newsprint of the seven days after as-of", ("date", "material")).holding(
        _d("date", "publication date"),
        _t("material", "code of the material"),
        _n("width_mm", "mm", "width of its web"),
        _n("kg", "kg", "expected to be mounted"),
        _n("q05", "kg", "5 % quantile"),
        _n("q95", "kg", "95 % quantile"),
    ),
    Table("budget_year", "kind of material, and all together", ("kind",)).holding(
        _t("kind", "newsprint, ink, plate, other, or all"),
        _d("through", "last day of the last month that is over"),
        _n("spent", "currency", "what was used in the months of the year that are over, as paid"),
        _n("budget", "currency", "budget of those months; blank: not of each of them"),
        _n("by_price", "currency", "spent beyond the budget by price"),
        _n("by_volume", "currency", "by printing more (negative: less)"),
        _n("by_rest", "currency", "by waste, mix of materials and what has no standard"),
        _n("year_expected", "currency", "expected cost of the whole year"),
        _n("year_q05", "currency", "5 % quantile of it, as use alone moves it; blank: not known by kind"),
        _n("year_q95", "currency", "95 % quantile of it, as use alone moves it; blank: not known by kind"),
        _n("year_budget", "currency", "budget of the year; blank: not of twelve months"),
    ),
    Table("night_jobs", "title of the next booked night", ("title",)).holding(
        _d("date", "publication date of the issue"),
        _t("title", "title"),
        _t("press", "press that last printed it with as many pages; empty: never printed so"),
        _n("copies", "1", "booked"),
        _n("pages", "1", "booked"),
        _n("colour_pages", "1", "booked; blank: not known"),
        _n("plates", "1", "to be exposed, by what its pages lately took; blank: not known"),
        _n("plates_high", "1", "exceeded by one issue of ten"),
        _time("starts_at", "expected start: the usual one, not before the press is free"),
        _time("ends_at", "expected end, at the speed that the title lately ran"),
        _t("like", "run whose webs are taken: the last with as many pages"),
    ),
    Table("night_webs", "web of the next booked night", ("title", "web")).holding(
        _t("title", "title"),
        _t("web", "web, as in run_webs"),
        _t("press", "press"),
        _t("reelstand", "reelstands that fed it in the run like it"),
        _t("material", "newsprint"),
        _n("width_mm", "mm", "width of the web"),
        _n("run_m", "m", "metres to run, start-up and waste included"),
        _t("part_reels", "part reels to take, in this order"),
        _n("new_reels", "1", "new reels after them"),
        _n("named", "1", "how many of those are known to lie in the store, rested"),
        _n("splices", "1", "expected"),
        _n("back_m", "m", "to come back on the last reel"),
    ),
    Table("night_reels", "reel to pull for the next booked night", ("title", "web", "place")).holding(
        _t("title", "title"),
        _t("web", "web"),
        _c("place", "order in which it is mounted"),
        _t("kind", "part reel or new reel"),
        _t("supplier", "supplier"),
        _t("reel_id", "reel"),
        _t("material", "newsprint"),
        _d("received_on", "day of receipt; blank: not logged"),
        _n("kg", "kg", "of a part reel, as it went back; of a new one as received"),
    ),
    Table("night_splices", "splice to expect in the next booked night", ("title", "web", "splice")).holding(
        _t("title", "title"),
        _t("web", "web"),
        _c("splice", "number of the splice on its web"),
        _t("press", "press"),
        _t("reelstand", "reelstands of the web"),
        _time("at", "expected time"),
        _time("early", "10 % quantile: lengths of reels vary; the press is taken to run without stops"),
        _time("late", "90 % quantile"),
        _t("together", "other webs of the press that splice within two minutes; empty: none"),
    ),
    Table("night_tanks", "tank", ("tank",)).holding(
        _t("tank", "tank, as plant.toml names it"),
        _t("ink", "ink in it"),
        _time("read_at", "last dip"),
        _n("level_kg", "kg", "level at that dip"),
        _n("capacity_kg", "kg", "what it holds"),
        _n("ink_level_kg", "kg", "level of all tanks of the ink"),
        _n(
            "tonight_kg",
            "kg",
            "expected use of the ink, of all its tanks, on the first day after as-of",
        ),
        _n("tonight_high_kg", "kg", "95 % quantile of it"),
        _t("state", "in control; watch: this tank alone may not last; act: all of the ink may not; unknown"),
    ),
)
