"""The manifest of a publication: what it was made from, with what, and how long it took."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Iterable, Mapping, Sequence
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from .. import __version__
from ..cache import source_digest

if TYPE_CHECKING:
    from .pages import ReportPage
    from .reports import Report

__all__ = ["code_digest", "digest_of", "input_entries", "manifest", "package_versions"]

_PACKAGES = (
    "holidays",
    "ipykernel",
    "nbconvert",
    "numpy",
    "openpyxl",
    "pandas",
    "papermill",
    "pint",
    "plotly",
    "pyarrow",
    "pydantic",
    "scipy",
    "statsmodels",
    "xlsxwriter",
)


def package_versions() -> dict[str, str]:
    """Return the version of Python, of this package and of those that results depend on."""
    versions = {"python": platform.python_version(), "pressstats": __version__}
    for name in _PACKAGES:
        try:
            versions[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
    return versions


def digest_of(path: Path) -> str:
    """Return the SHA-256 of a file, in hexadecimal digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def code_digest(notebooks: Path, reports: Iterable[Report]) -> str:
    """Return the digest of all that turns logs into these reports: code, libraries, notebooks, style of the pages."""
    shell = Path(__file__).parent / "shell"
    files = [*(notebooks / report.notebook for report in reports), *sorted(shell.rglob("*.*"))]
    files += sorted(Path(__file__).parents[1].glob("*.j2"))
    return hashlib.sha256(" ".join([source_digest(), *map(digest_of, files)]).encode()).hexdigest()


def _day(day: Any) -> str | None:
    return None if day is None or pd.isna(day) else str(pd.Timestamp(day).date())


def input_entries(sources: Iterable[Any]) -> list[dict[str, Any]]:
    """Return what the manifest says of each input."""
    return [
        {
            "file": str(source.file),
            "table": source.table,
            "sha256": source.digest,
            "rows": int(source.rows),
            "used": int(source.used),
            "duplicates": int(source.duplicates),
            "rejected": int(source.rejected),
            "first": _day(source.first),
            "last": _day(source.last),
        }
        for source in sources
    ]


def manifest(  # noqa: PLR0913 -- an entry each
    *,
    plant: str,
    currency: str,
    code: str,
    parameters: Mapping[str, Any],
    logs_digest: str,
    sources: Iterable[Any],
    past_publications: Mapping[str, str],
    pages: Sequence[ReportPage],
    headline: str,
    rows: Mapping[str, int],
    folder: Path,
    seconds: Mapping[str, Any],
) -> dict[str, Any]:
    """Return the manifest as plain data."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {
        "plant": plant,
        "currency": currency,
        "headline": headline,
        "parameters": dict(parameters),
        "packages": package_versions(),
        "code": code,
        "logs_digest": logs_digest,
        "inputs": input_entries(sources),
        "past_publications": [{"file": file, "sha256": digest} for file, digest in past_publications.items()],
        "reports": [
            {
                "name": page.report.name,
                "title": page.report.title,
                "page": page.report.page,
                "headline": page.headline,
                "figures": page.figures,
                "tables": page.tables,
            }
            for page in pages
        ],
        "rows": dict(rows),
        "files": {path.relative_to(folder).as_posix(): digest_of(path) for path in files},
        "seconds": dict(seconds),
    }
