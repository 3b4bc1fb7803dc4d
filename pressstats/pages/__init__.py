"""What each page shows, one module per notebook: sentences, key figures, figures and tables, in blocks."""

from . import buying_outlook, demand, ink_use, log_check, paper_balance, reels, weekly_page
from .common import foot
from .opening import leave_out_refused, opening

__all__ = [
    "buying_outlook",
    "demand",
    "foot",
    "ink_use",
    "log_check",
    "opening",
    "paper_balance",
    "reels",
    "weekly_page",
]

_ANY = ("paper", "ink", "demand")

# Where a part of the logs is refused, what rests on it is not shown. Blocks of the buying outlook and of
# demand rest on materials; those of a refused kind are no longer among them.
leave_out_refused(paper_balance, {"*": ("paper",)})
leave_out_refused(reels, {"*": ("paper",)})
leave_out_refused(ink_use, {"*": ("ink",)})
leave_out_refused(demand, {"*": ("demand",), "headline": ("paper", "demand"), "levers": _ANY})
leave_out_refused(
    buying_outlook,
    {
        **dict.fromkeys(("headline", "plan", "reasons", "plan_words", "changes", "cover"), ("demand",)),
        **dict.fromkeys(("halted", "sparing", "season", "season_table", "contract", "kept"), ("demand",)),
        "counts": _ANY,
    },
)
leave_out_refused(weekly_page, {"waste": ("paper",), "inks": ("ink",), "cover": ("demand",)})
