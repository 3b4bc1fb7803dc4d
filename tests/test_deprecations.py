"""What libraries will not do for ever is found in the tests, where our own calls ask for it."""

from __future__ import annotations

import warnings
from collections.abc import Callable

import pytest
from deprecations import OURS, DeprecatedCallError

KINDS = [DeprecationWarning, PendingDeprecationWarning, FutureWarning]


def _in_module(name: str, code: str, **known: object) -> Callable[[], object]:
    """Return the function `run` of a module of that name."""
    space: dict[str, object] = {"__name__": name, "warnings": warnings, **known}
    exec(code, space)
    return space["run"]  # type: ignore[return-value]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("level", [1, 2])
def test_our_calls_are_errors_and_those_among_libraries_are_not(kind: type[Warning], level: int) -> None:
    deep = _in_module("library.deep", "def run(): warnings.warn('old', kind, level)", kind=kind, level=level)
    library = _in_module("library", "def run(): return inner()", inner=deep)
    ours = _in_module(f"{OURS}.part", "def run(): return inner()", inner=library)
    with pytest.raises(DeprecatedCallError, match="old"):
        ours()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        ours()
    other = _in_module("another", "def run(): return inner()", inner=library)
    around = _in_module(f"{OURS}.part", "def run(): return inner()", inner=other)
    with pytest.warns(kind, match="old"):
        around()


def test_other_warnings_stay_warnings_and_stand_where_they_belong() -> None:
    library = _in_module("library", "def run(): warnings.warn('odd', stacklevel=2)")
    with pytest.warns(UserWarning, match="odd") as seen:
        library()
    assert seen[0].filename == __file__


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_laid_at_our_modules_is_an_error(kind: type[Warning]) -> None:
    with pytest.raises(kind):
        warnings.warn_explicit("old", kind, "part.py", 1, module=f"{OURS}.part")
