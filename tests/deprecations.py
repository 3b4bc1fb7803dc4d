"""Deprecations that our calls cause are errors, wherever a library raises them; those among libraries are theirs.

The filters of pytest know only the module that a warning is laid at, and many are laid at the library itself. Here the
stack is looked at: whoever called into the library is the first frame of another package, that of the standard library
aside.
"""

from __future__ import annotations

import sys
import warnings
from typing import Any

__all__ = ["OURS", "DeprecatedCallError"]

OURS = "pressstats"
_KINDS = (DeprecationWarning, PendingDeprecationWarning, FutureWarning)
_warn = warnings.warn


class DeprecatedCallError(Exception):
    """A call of ours will not be possible for ever; no warning, so that none is passed over."""


def _package(frame: Any) -> str:
    name: str = frame.f_globals.get("__name__", "")
    return name.partition(".")[0]


def _called_by_us() -> bool:
    frame = sys._getframe(2)
    library = _package(frame)
    while frame is not None and (_package(frame) == library or _package(frame) in sys.stdlib_module_names):
        frame = frame.f_back
    return frame is not None and OURS in (_package(frame), library)


def _fits(rule: Any, text: str) -> bool:
    return rule is None or bool(rule == text if isinstance(rule, str) else rule.match(text))


def _ignored(text: str, kind: type[Warning], module: str) -> bool:
    """Return whether somebody has seen to it that nobody hears of this: libraries do so with calls of their own."""
    for action, message, category, where, line in warnings.filters:
        if issubclass(kind, category) and _fits(message, text) and _fits(where, module) and line == 0:
            return action == "ignore"
    return False


def _strict(message: Any, category: Any = None, *more: Any, **named: Any) -> None:
    kind = type(message) if isinstance(message, Warning) else category or UserWarning
    name = sys._getframe(1).f_globals.get("__name__", "")
    if issubclass(kind, _KINDS) and _called_by_us() and not _ignored(str(message), kind, name):
        raise DeprecatedCallError(f"{kind.__name__}: {message}")
    named["stacklevel"] = (more[0] if more else named.get("stacklevel", 1)) + 1
    _warn(message, category, *([named.pop("stacklevel")] if more else []), *more[1:], **named)


# from the first import on, so that libraries that take the name for themselves take this one
warnings.warn = _strict
