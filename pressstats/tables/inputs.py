"""The input tables: what a plant's logs hold, column by column, with units and limits.

Limits are wide on purpose: they catch what cannot be true (a reel of 20 t, a page a millimetre
wide), not what is merely unusual. All are round numbers of the trade (common practice, no source).
"""

from __future__ import annotations

from typing import Any

from .columns import Column, Table
from .columns import date as _date
from .columns import text as _text
from .columns import time as _time

__all__ = ["INKS", "INPUTS"]

INKS = ("black", "cyan", "magenta", "yellow")
ENDINGS = ("splice", "failed_splice", "web_break", "run_end", "damaged")
MATERIAL_KINDS = ("newsprint", "ink", "plate", "other")
TITLE_KINDS = ("own", "contract")


def _count(name: str, meaning: str, high: float, low: float = 0, **more: Any) -> Column:
    return Column(name, "count", "", meaning, low, high, **more)


def _kg(name: str, meaning: str, high: float, low: float = 0, **more: Any) -> Column:
    return Column(name, "number", "kg", meaning, low, high, **more)


def _mm(name: str, meaning: str, low: float, high: float, **more: Any) -> Column:
    return Column(name, "number", "mm", meaning, low, high, **more)


def _amount(name: str, meaning: str, **more: Any) -> Column:
    return Column(name, "number", "material unit", meaning, 0, 1e9, **more)


def _share(name: str, meaning: str, **more: Any) -> Column:
    return Column(name, "number", "%", meaning, 0, 100, **more)


def _price(name: str, meaning: str, **more: Any) -> Column:
    return Column(name, "number", "currency / material unit", meaning, 0, 1e6, **more)


_ALL = (
    Table("runs", "run: one edition on one press", ("run_id",), required=True).holding(
        _text("run_id", "identifier of the run"),
        _date("date", "publication date", recorded=True),
        _text("title", "title printed"),
        _text("press", "press that printed it"),
        _time("started_at", "start of printing", recorded=True),
        _time("finished_at", "end of printing", recorded=True),
        Column("production", "choice", "", "straight or collect", choices=("straight", "collect")),
        _mm("page_width_mm", "width of a page", 100, 600),
        _mm("page_height_mm", "height of a page", 150, 900),
        _count("pages", "pages of a copy", 400, 2),
        _count("copies_ordered", "copies asked for", 5e6),
        _count("copies_gross", "copies counted at the folder", 5e6, 1),
        _count("copies_good", "copies sent out", 5e6),
        _count("copies_startup_waste", "copies wasted until the first good one", 5e5),
        _count("copies_running_waste", "copies wasted later, restarts included", 1e6),
        _count("web_breaks", "breaks on the press counter", 200, optional=True),
        _count("plates", "plates exposed", 5000, optional=True),
        _count("plates_remade", "plates exposed again", 5000, optional=True),
        _count("colour_pages", "pages with colour", 400, optional=True),
        Column("crew", "text", "", "crew on duty", optional=True),
        _time("deadline", "when the last copy is wanted", optional=True),
    ),
    Table("run_webs", "web of a run", ("run_id", "web"), required=True).holding(
        _text("run_id", "run"),
        _text("web", "web of the run"),
        _text("material", "newsprint on the web"),
        _mm("width_mm", "width of the web", 150, 4500),
        _mm("cutoff_mm", "cut-off length", 200, 1600),
        _count("cutoffs_per_copy", "cut-offs in a copy: 1 straight, 2 collect", 2, 1),
        _count("pages", "pages of a copy on this web", 200, 1),
    ),
    Table(
        "reel_mounts",
        "reel on a web of a run, from mounting or re-threading to its end",
        ("supplier", "reel_id", "mounted_at"),
    ).holding(
        _text("run_id", "run"),
        _text("web", "web of the run"),
        _text("supplier", "supplier of the reel"),
        _text("reel_id", "identifier of the reel at its supplier"),
        _text("material", "newsprint of the reel"),
        _text("reelstand", "reelstand it ran on"),
        _time("mounted_at", "start of running from this reel", recorded=True),
        _kg(
            "start_kg",
            "net paper as mounted, before stripping",
            6000,
            blank=True,
            instead=("start_mm", "used_m"),
        ),
        _kg("strip_kg", "damaged outer layers torn off", 3000, optional=True),
        _kg(
            "returned_kg",
            "paper that goes back to the store as a part reel",
            6000,
            blank=True,
            instead=("returned_mm", "used_m"),
        ),
        _kg("butt_kg", "paper left on the core and lost", 1000, optional=True),
        _mm("start_mm", "diameter of the reel as mounted", 0, 2000, optional=True),
        _mm("returned_mm", "diameter of the reel that goes back", 0, 2000, optional=True),
        Column("used_m", "number", "m", "paper run off, by the reelstand's counter", 0, 60000, optional=True),
        _mm("butt_mm", "depth of paper left on the core", 0, 600, optional=True),
        _kg("scrapped_kg", "paper thrown away otherwise", 6000, optional=True),
        Column("ended_by", "choice", "", "what ended the mount", choices=ENDINGS),
    ),
    Table("reels", "reel received", ("supplier", "reel_id")).holding(
        _text("supplier", "supplier of the reel"),
        _text("reel_id", "identifier of the reel at its supplier"),
        _text("material", "newsprint of the reel"),
        _text("delivery_id", "delivery it came with", optional=True),
        _date("received_on", "day it was received", optional=True, recorded=True),
        _kg("received_kg", "net paper as received", 6000, 1, optional=True),
        Column("length_m", "number", "m", "length on the label", 10, 60000, optional=True),
    ),
    Table("coverage", "ink of a run", ("run_id", "ink")).holding(
        _text("run_id", "run"),
        _text("ink", "ink: black, cyan, magenta, yellow or the name of a spot colour"),
        Column("solid_pages", "number", "page", "sum over pages of the covered fraction", 0, 400),
    ),
    Table("tank_readings", "dip of a tank", ("tank", "read_at")).holding(
        _text("tank", "tank"),
        _time("read_at", "time of the dip", recorded=True),
        _text("ink", "ink in the tank"),
        _kg("level_kg", "ink in the tank", 500000),
    ),
    Table("deliveries", "material of a delivery", ("delivery_id",)).holding(
        _text("delivery_id", "identifier of the row"),
        _text("material", "material delivered"),
        _amount("quantity", "quantity delivered, or asked for while the order is open"),
        _date("ordered_on", "day of the order", recorded=True),
        _date("promised_on", "day promised"),
        _date("delivered_on", "day of receipt; blank is an open order", blank=True, recorded=True),
        _time("delivered_at", "time of receipt", optional=True, recorded=True),
        _text("tank", "tank filled", optional=True),
        _text("load", "truck or tanker it came on", optional=True),
        _price("unit_price", "price as invoiced", optional=True),
        _text("order_id", "order it belongs to", optional=True),
        _text("supplier", "supplier", optional=True),
        _amount("quantity_ordered", "quantity ordered", optional=True),
        _date("cancelled_on", "day the order was cancelled", optional=True, recorded=True),
        _text("frozen", "any word: the order can no longer be changed", optional=True),
    ),
    Table("stock_counts", "material counted on a day", ("counted_on", "material")).holding(
        _date("counted_on", "day of the count", recorded=True),
        _text("material", "material counted"),
        _amount("quantity", "quantity on hand"),
        _time("counted_at", "time of the count", optional=True, recorded=True),
    ),
    Table("materials", "material", ("material",)).holding(
        _text("material", "identifier of the material"),
        Column("kind", "choice", "", "kind of material", choices=MATERIAL_KINDS),
        _mm("width_mm", "width of the reel", 150, 4500, optional=True),
        Column("grammage_gsm", "number", "g/m2", "nominal grammage", 20, 120, optional=True),
        Column("caliper_um", "number", "um", "thickness of a sheet", 20, 300, optional=True),
        _text("ink", "ink it is", optional=True),
        _text("stands_in_for", "material it can replace", optional=True),
        Column("unit", "choice", "", "unit it is bought in", choices=("kg", "l", "each")),
        _price("unit_price", "price without an agreed change"),
        Column("lead_time_days", "number", "day", "agreed lead time", 0, 730),
        _amount("pack_quantity", "mean reel, tote or box"),
        _amount("load_quantity", "truck or tanker"),
        _amount("order_minimum", "least that can be ordered"),
        _amount("storage_maximum", "most that can be stored"),
        _text("supplier", "supplier of record"),
    ),
    Table(
        "terms", "material that a supplier can deliver, from a day on", ("material", "supplier", "valid_from")
    ).holding(
        _text("material", "material"),
        _text("supplier", "who can deliver it"),
        _date("valid_from", "first day of orders on these terms; they hold until the next of this supplier"),
        _price("unit_price", "price without an agreed one; blank is that of materials", optional=True),
        Column("lead_time_days", "number", "day", "agreed lead time", 0, 730),
        _amount("pack_quantity", "mean reel, tote or box"),
        _amount("load_quantity", "truck or tanker"),
        _amount("order_minimum", "least that can be ordered"),
        _amount(
            "contract_quantity",
            "quantity to call off from the first to the last day of the contract, a year as a rule",
            optional=True,
        ),
        _date("contract_from", "first day of the contract", optional=True),
        _date("contract_to", "last day of the contract", optional=True),
        _share("tolerance_pct", "what may be called off more or less than the contract says", optional=True),
        _share("share_minimum_pct", "least share of what is ordered of the material", optional=True),
        _share("share_maximum_pct", "largest share of what is ordered of the material", optional=True),
        Column(
            "co2_kg_per_unit",
            "number",
            "kg / material unit",
            "carbon dioxide equivalent declared by the supplier, to the gate that it names",
            0,
            1000,
            optional=True,
        ),
        _share("recycled_pct", "recovered fibre in it, as declared", optional=True),
        _text("certified", "certificate under which it is sold; blank is none known", optional=True),
        _date("agreed_on", "day they were agreed; blank is known at once", optional=True, recorded=True),
    ),
    Table(
        "prices",
        "agreed price of a material from a day and a quantity on",
        ("material", "supplier", "valid_from", "from_quantity"),
    ).holding(
        _text("material", "material"),
        _text("supplier", "supplier whose price it is; blank is any", optional=True),
        _date("valid_from", "first day of the price"),
        _amount("from_quantity", "least quantity of an order at this price"),
        _price("unit_price", "agreed price"),
        _date("agreed_on", "day it was agreed; blank is known at once", optional=True, recorded=True),
    ),
    Table("titles", "title", ("title",)).holding(
        _text("title", "title, as in runs"),
        _text("customer", "who it is printed for", optional=True),
        Column("kind", "choice", "", "own, or printed under contract", choices=TITLE_KINDS, optional=True),
        _share("standard_waste_pct", "waste that its price reckons with, of mounted paper", optional=True),
    ),
    Table("budget", "material in a month", ("month", "material")).holding(
        Column("month", "month", "", "first day of the month"),
        _text("material", "material"),
        _amount("quantity", "quantity budgeted"),
        Column("cost", "number", "currency", "cost budgeted", 0, 1e10),
    ),
    Table("plan", "title on a day to come", ("date", "title", "made_on")).holding(
        _date("date", "publication date"),
        _text("title", "title"),
        _date("made_on", "day the row was made", optional=True, recorded=True),
        _count("copies_planned", "copies planned; 0 is nothing printed", 5e6),
        _count("pages_planned", "pages planned", 400),
        _count("colour_pages", "pages with colour planned", 400, optional=True),
        Column("event", "text", "", "what is special about it", blank=True),
    ),
    Table("waste_sold", "kind of waste paper sold on a day", ("sold_on", "kind")).holding(
        _date("sold_on", "day of the sale", recorded=True),
        _text("kind", "kind of waste"),
        _kg("kg", "weight sold", 1e6),
        Column("unit_price", "number", "currency / kg", "price paid", -10, 1e4),
        Column("moisture_pct", "number", "%", "water in it", 0, 100, optional=True),
    ),
    Table("standby", "standby supply", ("supply",)).holding(
        _text("supply", "the supply"),
        _text("kind", "water, power, compressed air, ink pump, paper store, ..."),
        Column("lasts_hours", "number", "h", "hours it carries the work", 0, 10000),
        _date("tested_on", "day of the last test", blank=True, recorded=True),
        Column("test_every_days", "number", "day", "interval between tests", 1, 5000),
        _text("contact", "who to call"),
    ),
)

INPUTS: dict[str, Table] = {table.name: table for table in _ALL}
