"""Which code and libraries numbers were computed with."""

from __future__ import annotations

import hashlib
import sys
from functools import cache
from importlib.metadata import version
from pathlib import Path

__all__ = ["source_digest"]

#: What numbers come from beside the package's own code.
_LIBRARIES = ("holidays", "numpy", "pandas", "pint", "pyarrow", "scipy", "statsmodels", "tzdata")


@cache
def source_digest() -> str:
    """Return the digest of the package's own code and of the libraries it computes with."""
    package = Path(__file__).parent.parent
    libraries = " ".join(f"{name} {version(name)}" for name in _LIBRARIES)
    digest = hashlib.sha256(f"{sys.version} {libraries}".encode())
    for path in sorted(package.rglob("*.py")):
        digest.update(f"{path.relative_to(package)} {path.stat().st_size}\n".encode() + path.read_bytes())
    return digest.hexdigest()
