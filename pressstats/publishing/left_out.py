"""What Jupyter is imported without, since it takes long and nobody asks for it."""

from __future__ import annotations

import sys

__all__ = ["leave_out", "let_in"]

#: A grammar of web addresses, which takes more than a second to compile: a check that no notebook is held against.
_GRAMMAR = "rfc3987_syntax"


def leave_out() -> None:
    """Let what Jupyter checks notebooks by be imported as where the grammar is not installed, until it is let in."""
    if "jsonschema" not in sys.modules:
        sys.modules.setdefault(_GRAMMAR, None)  # type: ignore[arg-type]


def let_in() -> None:
    """Let whoever needs the grammar have it, once Jupyter is imported."""
    if sys.modules.get(_GRAMMAR, sys) is None:
        del sys.modules[_GRAMMAR]
