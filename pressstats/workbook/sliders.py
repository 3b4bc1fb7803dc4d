"""What can be moved by hand: a slider for each number that a function takes, or a plain call where there are none."""

from __future__ import annotations

import inspect
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["by_hand"]


def by_hand(function: Callable[..., Any], /, **ranges: tuple[float, float, float] | list[str]) -> Any:
    """Show what a function returns, with a slider for each of its numbers and a list for each of its words.

    Parameters
    ----------
    function : callable
        Takes the names of `ranges`; each has a default, at which it begins.
    **ranges : (float, float, float) or list of str
        Lowest, highest and step of a number; the words to choose from.

    Returns
    -------
    object
        A widget that calls `function` anew when something is moved. Where ipywidgets is not installed, what
        `function` returns for its defaults: call it with other numbers instead.

    Raises
    ------
    ValueError
        If a default lies outside its range.

    Examples
    --------
    >>> by_hand(lambda pages=48: print(pages), pages=(8, 96, 8))  # doctest: +SKIP
    """
    defaults = {name: inspect.signature(function).parameters[name].default for name in ranges}
    for name, allowed in ranges.items():
        inside = (
            defaults[name] in allowed
            if isinstance(allowed, list)
            else allowed[0] <= defaults[name] <= allowed[1]
        )
        if not inside:
            raise ValueError(f"{name} = {defaults[name]!r} is not within {allowed!r}")
    try:
        import ipywidgets
    except ImportError:
        return function(**defaults)

    def control(name: str, allowed: tuple[float, float, float] | list[str]) -> Any:
        described = {"description": name.replace("_", " "), "style": {"description_width": "initial"}}
        if isinstance(allowed, list):
            return ipywidgets.Dropdown(options=allowed, value=defaults[name], **described)
        low, high, step = allowed
        whole = all(float(number).is_integer() for number in (low, high, step, defaults[name]))
        kind = ipywidgets.IntSlider if whole else ipywidgets.FloatSlider
        # Computed when the mouse lets go: a forecast takes longer than a finger.
        return kind(value=defaults[name], min=low, max=high, step=step, continuous_update=False, **described)

    controls = {name: control(name, allowed) for name, allowed in ranges.items()}
    output = ipywidgets.interactive_output(_shown(function), controls)
    return ipywidgets.VBox([*controls.values(), output])


def _shown(function: Callable[..., Any]) -> Callable[..., None]:
    """Return a function that shows what `function` returns."""

    def show(**values: Any) -> None:
        from IPython.display import display

        display(function(**values))

    return show
