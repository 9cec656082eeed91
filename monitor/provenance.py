"""Names the code that figures followed from, so that what another version counted is never taken for ours."""

from __future__ import annotations

import hashlib
import sys
from functools import cache
from pathlib import Path
from typing import Final

import numpy as np
import scipy

ANALYSIS: Final = ("ferment/*.py", "ferment/*.npz", "must/*.py", "units.py")
"""All that decides what a pipeline says; the precedents as much as the code."""


@cache
def digest_of_code(*patterns: str) -> str:
    """A digest of the package's files of these patterns, and of what they run on."""
    house = Path(__file__).parent
    digest = hashlib.sha256(
        f"python {sys.version_info[:2]} numpy {np.__version__} scipy {scipy.__version__}".encode()
    )
    for pattern in patterns:
        for path in sorted(house.glob(pattern)):
            digest.update(str(path.relative_to(house)).encode())
            digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()
