"""The colours of figures and pages, by what they stand for, in light and in dark.

Figures are drawn with the light colours. The script of a page swaps each of them for its dark
partner when the reader's screen is dark, so a figure never has to know where it will be shown:
whoever draws asks for a role (``COLOURS["mounted"]``), never for a colour of their own.
"""

from __future__ import annotations

from typing import Any

__all__ = ["COLOURS", "FONT", "PAIRS", "SERIES", "figure_template", "swaps", "tint"]

#: Light and dark colour of each role. Text roles keep at least 4.5 : 1 against their ground.
PAIRS: dict[str, tuple[str, str]] = {
    "ground": ("#fbfaf6", "#171614"),
    "panel": ("#ffffff", "#201f1c"),
    "text": ("#1d1b18", "#ece8df"),
    "muted": ("#625d54", "#aaa497"),
    "rule": ("#d9d4c8", "#3b3833"),
    "grid": ("#e8e4da", "#302e2a"),
    "accent": ("#1a5f6e", "#6cc0cd"),
    "good": ("#2c6e3f", "#82c692"),
    "watch": ("#8f5b00", "#e6b455"),
    "act": ("#b0271d", "#f28a80"),
    "series1": ("#1f6f7d", "#62b9c6"),
    "series2": ("#b4730b", "#e2ae58"),
    "series3": ("#7b4876", "#c495c0"),
    "series4": ("#5b7828", "#a7c46d"),
    "series5": ("#a5442d", "#e28c75"),
    "series6": ("#58687e", "#a0b1c8"),
    "black": ("#2e2c29", "#d8d4ca"),
    "cyan": ("#0a86ad", "#4cc3e6"),
    "magenta": ("#b51f6d", "#ef70ad"),
    "yellow": ("#a88500", "#e8ca43"),
}

#: Colours to draw with, by role.
COLOURS: dict[str, str] = {role: light for role, (light, _) in PAIRS.items()}

#: Colours of series that have no role of their own, in their order.
SERIES: tuple[str, ...] = tuple(COLOURS[f"series{number}"] for number in range(1, 7))

FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', 'Liberation Sans', sans-serif"


def _triple(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def tint(role: str, opacity: float) -> str:
    """Return the colour of `role`, let through, for bands and fills; `opacity` from 0, nothing to see, to 1, solid."""
    red, green, blue = _triple(COLOURS[role])
    return f"rgba({red},{green},{blue},{opacity:g})"


def swaps() -> dict[str, str]:
    """Return dark colours by light colour, each as ``red,green,blue``."""
    return {
        ",".join(map(str, _triple(light))): ",".join(map(str, _triple(dark)))
        for light, dark in PAIRS.values()
    }


def figure_template() -> dict[str, Any]:
    """Return the plotly template of the house, in light colours, as plain data."""
    axis = {
        "automargin": True,
        "separatethousands": True,
        "exponentformat": "none",
        "gridcolor": COLOURS["grid"],
        "linecolor": COLOURS["rule"],
        "tickcolor": COLOURS["rule"],
        "zerolinecolor": COLOURS["rule"],
        "zerolinewidth": 1,
        "ticks": "outside",
        "ticklen": 4,
        "title": {"standoff": 8, "font": {"size": 13, "color": COLOURS["muted"]}},
        "tickfont": {"color": COLOURS["muted"]},
    }
    return {
        "layout": {
            "colorway": list(SERIES),
            "font": {"family": FONT, "size": 13, "color": COLOURS["text"]},
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            # above, room for a line of text; axes and legend take theirs by themselves
            "margin": {"l": 8, "r": 12, "t": 26, "b": 8, "pad": 0},
            "xaxis": {**axis, "showgrid": False},
            "yaxis": {**axis, "showline": False, "ticks": ""},
            "legend": {
                "orientation": "h",
                "x": 0,
                "xanchor": "left",
                "y": 1.02,
                "yanchor": "bottom",
                "font": {"color": COLOURS["text"]},
            },
            "hoverlabel": {
                "bgcolor": COLOURS["panel"],
                "bordercolor": COLOURS["rule"],
                "font": {"color": COLOURS["text"], "family": FONT},
            },
            "hovermode": "closest",
            "bargap": 0.25,
            "separators": ".\u202f",
            "annotationdefaults": {"font": {"color": COLOURS["muted"]}, "arrowcolor": COLOURS["muted"]},
        }
    }
