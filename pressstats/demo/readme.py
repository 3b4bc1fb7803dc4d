"""The page that tells people what the invented plant is and what was planted in its logs."""

from __future__ import annotations

from typing import Any

from .scenario import BREAKS_PER_KM, STANDS, STRIP_LIMIT_MM, SUPPLIERS, TRANSPORT_DEPTH_MM

__all__ = ["readme"]


def readme(found: dict[str, Any], totals: dict[str, float]) -> str:
    """Return the text of the README of a plant.

    Parameters
    ----------
    found : dict
        Its truths.
    totals : dict of str to float
        Kilograms of each true stream over the whole period, `mounted_kg` and `threading_kg` among them [kg].

    Returns
    -------
    str
        Markdown.
    """
    parts = [
        _opening(found),
        _paper(found, totals),
        _reels(found),
        _inks(found),
        _supply(found),
        _records(found),
        _numbers(),
    ]
    return "\n\n".join(parts) + "\n"


def _table(header: str, rows: list[list[Any]]) -> str:
    lines = [f"| {header} |", "|" + "---|" * len(header.split(" | "))]
    return "\n".join(lines + ["| " + " | ".join(str(cell) for cell in row) + " |" for row in rows])


def _opening(found: dict[str, Any]) -> str:
    return f"""# The invented plant: Tollenby Night Press

Everything in this folder is invented: the plant, the town, the titles, the makers, the numbers. It was written by
`python -m pressstats demo --out data_demo` (seed {found["seed"]}, years: {found["years"]}) and is the same byte for
byte whenever that is run again. It is a simulation, day by day: first the true kilograms, then the logs as counters,
scales and dip sticks would have shown them. What follows are the truths; `truths/truths.json` holds the same for
programs, `truths/paper_streams.csv` the true paper balance by week and press.

**The plant.** Publication dates {found["first_date"]} to {found["last_date"]}; in the night before the last one the
clocks go back. Three titles: the *Tollenby Lantern* (Monday to Saturday; on Thursdays a second edition for the coast,
so the copies of a title and date are the sum of its runs), the *Orrin Vale Dispatch* (Monday to Friday, on Tuesdays
without colour) and the *Skerrow Sunday Folio* (Sunday, in collect, printed on Saturday evening). A run dated D starts
at about 22:00 on the day before. Two presses, four pages wide with two cut-offs of 470 mm round the cylinder: a full
web of 1260 mm carries 8 pages of 315 x 470 mm straight and 16 in collect. Six reelstands a press, two black tanks
(P1 prints from K1, P2 from K2), one tank of each colour.

**The files.** `runs`, `run_webs` and `reel_mounts` are one file a year, `reels` is Parquet, `waste_sold.csv` has
semicolons, the others are plain CSV. Some reel numbers are all digits with leading zeros: they are names. `plates` are
all plates exposed, those exposed again included; in straight production each page has its plate twice round the
cylinder. `web_breaks` is the press counter: it takes failed splices for breaks too, and now and then one too many.
`plan` holds each issue as booked ten weeks ahead and as revised about ten days ahead."""


def _paper(found: dict[str, Any], totals: dict[str, float]) -> str:
    threading, mounted = found["threading"], totals["mounted_kg"]
    grammage = _table(
        "material | nominal g/m2 | true g/m2 | threaded at a start, kg | at a stop, kg",
        [
            [
                material,
                gsm["nominal_gsm"],
                gsm["effective_gsm"],
                f"{threading[material]['kg_per_start']:.3f}",
                f"{threading[material]['kg_per_stop']:.3f}",
            ]
            for material, gsm in found["grammage"].items()
        ],
    )
    streams = _table(
        "stream | tonnes | % of mounted",
        [[f"`{name}`", f"{kg / 1000:.1f}", f"{100 * kg / mounted:.2f}"] for name, kg in totals.items()],
    )
    step = found["startup_step"]
    return f"""## Truths: paper

{grammage}

Single reels differ from their material by {found["reel_scatter_pct"]:.1f} % (one standard deviation). Threading a web
takes 85 m at each start and 55 m after each stop (web break or failed splice); no counter counts it, so it ends in
`unexplained_kg`, with the differences of single reels.

{streams}

`threading_kg` is part of `unexplained_kg`. `grammage_kg` is true area x (true - nominal) grammage of the material.

- Start-up waste on **{step["press"]}** is {step["factor"]} times as large from {step["from"]} on."""


def _reels(found: dict[str, Any]) -> str:
    ends, breaks = found["reel_ends"], found["breaks"]
    makers = _table(
        "maker | rate ratio | reels mounted | breaks | per 100 reels | mean strip, mm",
        [
            [
                name,
                maker["rate_ratio"],
                maker["reels_mounted"],
                maker["breaks"],
                f"{maker['per_100_reels']:.2f}",
                maker["strip_depth_mm"],
            ]
            for name, maker in breaks["by_supplier"].items()
        ],
    )
    losses = _table(
        "reel | found on | kg",
        [[f"{x['supplier']} {x['reel_id']}", x["found_on"], x["kg"]] for x in found["store_losses"]],
    )
    hurt = _table(
        "reel | material | load | delivery | came on | depth, mm | strip, kg",
        [
            [
                f"{x['supplier']} {x['reel_id']}",
                x["material"],
                x["load"],
                x["delivery_id"],
                x["received_on"],
                x["depth_mm"],
                x["kg"],
            ]
            for x in found["transport_damage"]
        ],
    )
    bad, more = ends["bad_stand"], ends["failed_leaves_more_m"]
    return f"""## Truths: reels

{makers}

- Makers differ in breaks per kilometre: **{breaks["worst"]}** has 1.7 times the rate of the others
  ({1000 * BREAKS_PER_KM:.2f} per 1000 km). Without any effect: {", ".join(breaks["no_effect_of"])}.
- Reelstand **{bad}** leaves {ends["mean_m"][bad]:.0f} m on the core, twice the target of
  {ends["splice_target_m"]:.0f} m; the others 11.4 to 12.6 m (scatter {100 * ends["scatter_share"]:.0f} % from splice to
  splice). A splice fails with probability {ends["failure_at_target"]} when it would leave
  {ends["splice_target_m"]:.0f} m, less by a factor e for each {ends["falls_by_e_every_m"]:.0f} m more:
  {ends["failed_splices"]} failed (by that probability {ends["failed_splices_expected"]:.0f} were to be
  expected, the rest is chance), {ends["splices"]} held. A failed one leaves {more[0]:.0f} to {more[1]:.0f} m more.
- Two trucks had a mishap on the road: these reels came with their outer layers torn or wet, far deeper than the
  usual strip (at most {STRIP_LIMIT_MM:.0f} mm). The layers are torn off at the first mount; the rest is sound.

{hurt}

- Store losses: these part reels were lighter at their next mount than when they went back.

{losses}"""


def _inks(found: dict[str, Any]) -> str:
    terms = _table(
        "ink | film g/m2 of solid | start-up kg a run | standing kg a day",
        [
            [name, ink["film_g_m2"], ink["startup_kg_per_run"], ink["standing_kg_per_day"]]
            for name, ink in found["ink"].items()
        ],
    )
    film, gauge, leak = found["magenta_film"], found["black_gauge"], found["leak"]
    missed = ", ".join(f"{m['tank']} {m['date']}" for m in found["missed_dips"])
    return f"""## Truths: ink

{terms}

The film of each run scatters by {found["ink_scatter_pct"]:.1f} %; a dip has an error of
{found["measurement"]["dip_kg"]:.0f} kg.

- Magenta film x {film["factor"]} for publication dates {film["from"]} to {film["until"]}.
- The gauge of {gauge["tank"]} was re-calibrated: from {gauge["from"]} it reads {gauge["shift_kg"]:.0f} kg more.
- A leak at {leak["tank"]} ({leak["ink"]}): {leak["kg_per_day"]:.0f} kg a day from {leak["from"]} to {leak["until"]}.
- Missed dips: {missed}.
- Some deliveries come on the morning of a dip, before or after it: `delivered_at` tells."""


def _supply(found: dict[str, Any]) -> str:
    lines = []
    if "late_load" in found:
        late = found["late_load"]
        came = f"came on {late['delivered_on']}, {late['days_late']} days late"
        lines.append(f"- Load {late['load']} was promised for {late['promised_on']} and {came}.")
    if "cancelled_load" in found:
        cancelled = found["cancelled_load"]
        lines.append(f"- Load {cancelled['load']} was cancelled on {cancelled['cancelled_on']}.")
    if "count_difference" in found:
        count = found["count_difference"]
        lines.append(
            f"- The count of {count['material']} on {count['counted_on']} missed {-count['kg']:.0f} kg."
        )
    price = found["price_change"]
    lines.append(
        f"- All newsprint costs {price['factor']} times as much from {price['from']} on. An order of 48 t or more, "
        "all its materials together, is 1.5 % cheaper; 4 t of an ink 3 %."
    )
    if "wrong_invoice" in found:
        wrong = found["wrong_invoice"]
        lines.append(
            f"- Load {wrong['load']}, ordered on {wrong['ordered_on']}, was already invoiced at the new price."
        )
    if found["express_loads"]:
        lines.append(
            f"- Loads called in a hurry, at no more than a day's notice: {found['express_loads']} (`EX-...`)."
        )
    for event in found["events"]:
        lines.append(
            f"- Event *{event['event']}*, {event['first']} to {event['last']}: copies x {event['copies_factor']}, "
            f"{event['pages_more']} pages more ({', '.join(event['titles'])})."
        )
    lines.append(f"- Nothing was published on {', '.join(found['days_without_publication'])}.")
    return "## Truths: supply and demand\n\n" + "\n".join(lines)


def _records(found: dict[str, Any]) -> str:
    impossible = _table(
        "file | line | column | value | why it cannot be true | what is lost with it",
        [
            [
                f"`{slip['file']}`",
                slip["line"],
                slip["column"],
                f"`{slip['value']}`",
                slip["rule"],
                ", ".join(slip["loses"].values()) or "nothing",
            ]
            for slip in found["impossible_rows"]
        ],
    )
    doubtful = _table(
        "file | line | run | what",
        [[f"`{row['file']}`", row["line"], row["run_id"], row["what"]] for row in found["suspicious_rows"]],
    )
    overlaps = "\n".join(
        f"- `{export['file']}` repeats {export['rows']} rows of `{export['repeats']}`."
        for export in found["overlapping_exports"]
    )
    week = found["week_without_reels"]
    return f"""## Truths: records

Impossible rows (lines as a text editor counts them, the header being line 1):

{impossible}

Only suspicious:

{doubtful}

Overlapping exports:

{overlaps}

The week of {week["week"]} has no `reel_mounts` ({week["rows_lost"]} rows lost). Reels that ran in it look lighter
afterwards than when they were last put back, and those used up in it never leave the store as far as the logs know."""


def _numbers() -> str:
    strip = ", ".join(f"{maker.strip_mm} mm ({name})" for name, maker in SUPPLIERS.items())
    shallow, deep = TRANSPORT_DEPTH_MM
    return f"""## How the numbers were chosen

- Calipers: JCP A10 Newsprint (US GPO, Government Paper Specification Standards No. 11): 45 g/m2 0.075 mm, 52 g/m2
  0.090 mm. True grammages lie inside its tolerance of 5 %. By geometry, a reel of 45 g/m2, 1.25 m across on a core of
  76 mm, holds 16.3 km and, 1260 mm wide, 0.92 t.
- Waste of 2 to 8 % (WAN-IFRA, 2018), start-up as a count per start and running waste as a share (American Printer,
  January 1996), two or three breaks in a hundred reels (DOI 10.1201/9781482290103-19), one failed splice in about 300
  (Editor & Publisher, 2005).
- Strip: slab formula 4T(D - T)/(D2 - C2) of the American Institute of Marine Underwriters, T drawn around
  {strip} or, for reels hurt on the road, evenly from {shallow:.0f} to {deep:.0f} mm (invented).
- Weights: reels (mill label, floor scale) to 3 kg; butts, strip and torn paper (bench scale) to 0.1 kg; the remainder
  of a damaged reel to 3 kg. One counter counts all copies of a run: its error, 0.1 % from run to run, moves gross,
  good, start-up and running copies alike.
- Common practice, no source: up to 75,000 copies an hour, one plate per colour and page, {len(STANDS) // 2} reelstands
  a press, film weights, start-up and standing use of ink, threading lengths, prices, lead times, two to three weeks of
  paper on the floor.
- The default seed is one of a few hundred tried, taken because what is rare (breaks by maker, the grammage of
  the paper that came) fell near what was planted, so that a sound analysis finds the truths in this folder. Other
  seeds scatter as chance does: of their 95 % intervals, one in twenty misses."""
