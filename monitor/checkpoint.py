"""Pipelines put aside and taken up again.

A checkpoint spares a restart the folding of weeks, and is never more than that: it is of use only to the
very code, settings and sheet that made it, and what is taken up must go on exactly as the whole fold would.
Where anything differs, or the bytes are not what they should be, the fold over the store is made instead.
"""

from __future__ import annotations

import hashlib
import io
import logging
import pickle
import zlib
from typing import Any, Final

from monitor.batch.sheet import Sheet
from monitor.ferment.emission import PhaseChange
from monitor.ferment.pipeline import Analysis, Pipeline
from monitor.provenance import ANALYSIS, digest_of_code

logger = logging.getLogger(__name__)

LEVEL: Final = 1
"""Of compression: half the size at a millisecond's cost."""
LARGEST_BYTES: Final = 64 * 1024 * 1024
"""Beyond any pipeline of 400 days; a body that unpacks to more is not ours."""
_OF_NUMPY: Final = frozenset(
    {
        ("numpy", "ndarray"),
        ("numpy", "dtype"),
        ("numpy._core.multiarray", "_reconstruct"),
        ("numpy._core.multiarray", "scalar"),
        ("numpy._core.numeric", "_frombuffer"),
    }
)
_PLAIN: Final = frozenset(
    {
        ("builtins", "set"),
        ("builtins", "frozenset"),
        ("collections", "deque"),
        ("array", "array"),
        ("array", "_array_reconstructor"),
    }
)


def digest_of(sheet: Sheet, analysis: Analysis) -> str:
    """Names everything that a checkpoint of this batch depends on."""
    parts = (digest_of_code(*ANALYSIS), repr(sheet.premise()), repr(sheet.sensors), repr(analysis))
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def sealed(pipeline: Pipeline, phases: list[PhaseChange]) -> bytes:
    """The pipeline and its phases so far, as bytes."""
    return zlib.compress(pickle.dumps((pipeline, phases), protocol=5), LEVEL)


def unsealed(body: bytes) -> tuple[Pipeline, list[PhaseChange]] | None:
    """What `sealed` was given; None for bytes that are not that. Nothing but values of ours is made."""
    try:
        unpacker = zlib.decompressobj()
        plain = unpacker.decompress(body, LARGEST_BYTES)
        pipeline, phases = _OnlyOurs(io.BytesIO(plain)).load()
    except (pickle.UnpicklingError, zlib.error, EOFError, ValueError, TypeError, AttributeError) as error:
        logger.warning("a checkpoint cannot be read, the batch is judged anew: %s", error)
        return None
    if not isinstance(pipeline, Pipeline) or not isinstance(phases, list):
        return None
    return pipeline, phases


class _OnlyOurs(pickle.Unpickler):
    """Makes classes of the pure rooms and arrays only.

    Whoever can write to the database must not be able to run code here.
    """

    def find_class(self, module: str, name: str, /) -> Any:
        """The class of that name, if it may be made."""
        if (module, name) in _OF_NUMPY | _PLAIN:
            return super().find_class(module, name)
        if module.startswith(("monitor.ferment.", "monitor.must.")) or module == "monitor.units":
            found = super().find_class(module, name)
            if isinstance(found, type) and found.__module__ == module:
                return found
        raise pickle.UnpicklingError(f"{module}.{name} is not part of a checkpoint")
