"""A plotly figure as plain data: for a page, safe inside its HTML, and for a notebook.

What is drawn is kept apart from how it looks: the default template of plotly (7 kB a figure) is left
out, and the page gives every figure the template of the house in the colours of the reader's screen.
"""

from __future__ import annotations

import base64
import datetime as dt
import itertools
import json
import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from .markup import label, plain
from .palette import COLOURS, figure_template

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["notebook_figure", "plain_figure", "script_json", "standing_figure"]


def plain_figure(figure: go.Figure) -> dict[str, Any]:
    """Return the figure as plain data without any template, numbers to six significant digits."""
    data = figure.to_dict()
    layout = {key: value for key, value in data.get("layout", {}).items() if key != "template"}
    return {"data": _plain(data.get("data", [])), "layout": _plain(layout)}


def _plain(value: Any) -> Any:  # noqa: PLR0911 -- one return a type
    if isinstance(value, dict):
        if set(value) >= {"dtype", "bdata"}:
            array = np.frombuffer(base64.b64decode(value["bdata"]), dtype=value["dtype"])
            shape = [int(part) for part in str(value.get("shape", "")).split(",") if part.strip()]
            return _plain(array.reshape(shape) if shape else array)
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, np.ndarray) and value.dtype.kind == "M":
        return _plain(pd.Series(value.ravel()).tolist()) if value.ndim == 1 else _plain(value.astype(str))
    if isinstance(value, (list, tuple, np.ndarray)):
        return [_plain(one) for one in value]
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (float, np.floating)):
        # six digits are more than a screen shows, and steady where sums differ in their last bits
        return float(f"{value:.6g}") if math.isfinite(value) else None
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (dt.date, np.datetime64)):
        stamp = pd.Timestamp(value)
        return (
            stamp.strftime("%Y-%m-%d") if stamp == stamp.normalize() else stamp.isoformat(timespec="seconds")
        )
    return str(value)


def script_json(data: Any) -> str:
    """Return JSON that may stand in a script element whatever text it holds."""
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for character in "<>&\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return text


#: Letters of a line of a title: as many as a figure of 600 pixels holds, in JupyterLab beside its file browser.
_TITLE_LETTERS = 78


def notebook_figure(data: dict[str, Any], finding: str) -> dict[str, Any]:
    """Return the figure for JupyterLab, where the finding has no caption to stand in."""
    words, lines = label(plain(finding), 400).split(" "), [""]
    for word in words:
        if len(lines[-1]) + len(word) >= _TITLE_LETTERS:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    title = {"text": "<br>".join(lines), "x": 0, "xref": "container", "font": {"size": 14}}
    title |= {"y": 1, "yref": "container", "yanchor": "top", "pad": {"t": 12, "l": 12}}
    layout = {**data["layout"], "template": figure_template(), "title": title}
    # The colours are those of light pages; a dark JupyterLab would swallow texts on its own ground.
    layout["paper_bgcolor"] = COLOURS["panel"]
    # the template leaves no room above: a notebook's figure needs some for its title, beside the legend's
    above = 24 + 20 * len(lines) + (30 if layout.get("showlegend") else 0)
    margin = layout.get("margin", {})
    layout["margin"] = {**margin, "t": above + int(margin.get("t", 12))}
    layout["height"] = int(layout.get("height") or 400) + above
    return {"data": data["data"], "layout": layout, "config": {"displaylogo": False}}


_STANDING = itertools.count()


def standing_figure(drawn: dict[str, Any], words: str) -> str:
    """Return HTML in which a figure draws itself, for pages that other tools make of a notebook.

    The library stands in the first figure of a kernel. `words`, escaped, stand there until the figure is drawn.
    """
    from plotly.offline import get_plotlyjs

    number = next(_STANDING)
    name = f"pressstats-figure-{number}"
    # A loader of modules that the page may have would keep the library to itself.
    library = (
        "<script>var pressstatsDefine=window.define;window.define=undefined</script>"
        f"<script>{get_plotlyjs()}</script><script>window.define=pressstatsDefine</script>"
    )
    parts = ", ".join(script_json(drawn.get(part, {})) for part in ("data", "layout"))
    return (
        f'{"" if number else library}<div id="{name}">{words}</div><script>if(window.Plotly){{'
        f"var box=document.getElementById('{name}');box.textContent='';Plotly.newPlot(box, {parts}, "
        "{responsive: true})}</script>"
    )
