"""Words of the trade that a page uses, each explained in a line below it."""

from __future__ import annotations

from ..exhibits import Block, folded, points

__all__ = ["words_used"]

#: What a word means here (common practice, no source; what is counted how stands in the tables' declarations).
_MEANINGS = {
    "act, watch, in control": "act: outside what chance allows, to be acted on now. Watch: outside, or near, and not "
    "pressing. In control: within its limits",
    "watch, in control": "of a run: outside or within what nine of ten such runs do. Of a tank: whether it holds "
    "what tonight takes",
    "all in": "price with waste and breaks, and what lateness costs besides",
    "by volume, by price": "by volume: more or less was used than budgeted. By price: a unit cost more or less",
    "butts": "paper that stays on the core when a reel is spliced (US: butt rolls)",
    "tolerance": "by how much of the agreed quantity a contract may end above or below it",
    "days of stock": "days that what is on hand lasts at the use that is expected, open orders left out",
    "emergency supply": "what is brought outside the plan: an express truck, a merchant's stock, another printer's",
    "limit": "what nine of ten such runs stay below: those of the title on that press in the year before, or all of "
    "that press where they are few",
    "price with waste and breaks": "of a tonne that can be printed: with heavier paper, white waste and web "
    "breaks, less what its waste sells for",
    "part reel": "a reel that came back from a press with paper left on it",
    "plates remade": "plates exposed again because the first were spoilt or a page changed",
    "stand": "the reelstand, where a web unwinds: it holds the running reel and the next, and splices them",
    "service level": "share of weeks in which nothing may run out",
    "splice": "the joint of a new reel to the end of the running one (US: paster)",
    "standby supply": "what keeps the plant printing when a supply fails; tested so that it does",
    "start-up waste": "copies from the start of a run until the first good one; running waste comes later in the run",
    "latest": "last day to order at which the least stock still holds in 19 cases of 20; a truck is due as many days "
    "later as it is ordered later",
    "stock-out risk before arrival": "chance that a material runs out after its order before has come, and before this "
    "one has",
    "stock-out risk before the next order": "chance that a material runs out before anything ordered now can come",
    "white waste": "damaged outer layers torn off a reel before it is mounted: stripping (US: slab waste)",
    "web": "one band of paper through the press; an issue takes one or several side by side",
    "1 in 20": "the true number will be beyond it in one case of twenty",
}
_PAGES = {
    "weekly_page": (
        "act, watch, in control",
        "by volume, by price",
        "butts",
        "days of stock",
        "standby supply",
        "start-up waste",
        "stock-out risk before the next order",
        "white waste",
        "1 in 20",
    ),
    "buying_outlook": (
        "price with waste and breaks",
        "all in",
        "tolerance",
        "days of stock",
        "emergency supply",
        "latest",
        "service level",
        "stock-out risk before arrival",
        "white waste",
        "1 in 20",
    ),
    "last_night": (
        "watch, in control",
        "limit",
        "part reel",
        "plates remade",
        "splice",
        "stand",
        "web",
    ),
}


def words_used(page: str) -> Block:
    """Return the words of the trade that a page uses, folded.

    Parameters
    ----------
    page : str
        ``weekly_page``, ``buying_outlook`` or ``last_night``.

    Raises
    ------
    KeyError
        Of another page no words are kept.
    """
    return folded("Words used here", points([f"**{word}**: {_MEANINGS[word]}." for word in _PAGES[page]]))
