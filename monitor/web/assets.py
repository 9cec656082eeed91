"""Files that never change under a name: own styles and scripts, and BokehJS out of bokeh's wheel.

Each is served under an address that holds a hash of its content, compressed once, cached for a year.
"""

from __future__ import annotations

import gzip
import hashlib
import importlib.util
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from starlette.requests import Request
from starlette.responses import Response

from monitor.errors import NotFoundError

STATIC: Final = Path(__file__).parent / "static"
FOR_EVER: Final = "public, max-age=31536000, immutable"
MEDIA: Final = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".webmanifest": "application/manifest+json",
    ".png": "image/png",
}


@dataclass(slots=True)
class Asset:
    """One file, read and compressed at first use."""

    path: Path
    digest: str
    _packed: bytes | None = None

    def packed(self) -> bytes:
        """The content, gzipped."""
        if self._packed is None:
            self._packed = gzip.compress(self.path.read_bytes(), 9, mtime=0)
        return self._packed


@dataclass(slots=True)
class Assets:
    """All files by name."""

    files: dict[str, Asset] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @classmethod
    def collect(cls) -> Assets:
        """Own files and BokehJS; raises NotFoundError when bokeh is not installed."""
        own = [path for path in sorted(STATIC.iterdir()) if path.suffix in MEDIA]
        # one digest for all own files, so that a module finds its neighbours under the same address
        together = _digest(own)
        files = {path.name: Asset(path, together) for path in own}
        bokeh = bokeh_folder() / "js" / "bokeh.min.js"
        return cls({**files, bokeh.name: Asset(bokeh, _digest([bokeh]))})

    def address(self, name: str) -> str:
        """Where a page finds a file."""
        return f"/static/{self.files[name].digest}/{name}"

    def respond(self, request: Request) -> Response:
        """One file; an old digest still gives the present file, but not for ever."""
        name = request.path_params["name"]
        asset = self.files.get(name)
        if asset is None:
            raise NotFoundError(f"no file {name}")
        current = request.path_params["digest"] == asset.digest
        headers = {
            "Cache-Control": FOR_EVER if current else "no-cache",
            "Vary": "Accept-Encoding",
            "ETag": f'"{asset.digest}"',
        }
        media = MEDIA[asset.path.suffix]
        if request.headers.get("if-none-match") == headers["ETag"]:
            return Response(status_code=304, headers=headers)
        if "gzip" not in request.headers.get("accept-encoding", ""):
            return Response(asset.path.read_bytes(), headers=headers, media_type=media)
        with self._lock:
            packed = asset.packed()
        return Response(packed, headers={**headers, "Content-Encoding": "gzip"}, media_type=media)


def bokeh_folder() -> Path:
    """Where bokeh keeps its browser files, found without importing it."""
    spec = importlib.util.find_spec("bokeh")
    if spec is None or spec.origin is None:
        raise NotFoundError("bokeh is not installed", hint="pip install bokeh")
    return Path(spec.origin).parent / "server" / "static"


def _digest(paths: Sequence[Path]) -> str:
    found = hashlib.blake2b(digest_size=8)
    for path in paths:
        found.update(path.read_bytes())
    return found.hexdigest()
