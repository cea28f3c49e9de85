"""Scripts, styles and the icon: read and compressed once, and kept by browsers for good.

All of them together make one digest, which stands in their addresses: one that has changed changes
all, so that a script that imports its neighbour by ``./name.js`` never mixes two versions.
"""

import hashlib
import mimetypes
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from longsoak_dashboards.compress import TEXTS, takes_gzip, whole

HERE = Path(__file__).parent / "static"
_TEXT = {  # what a machine's own table may call otherwise
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}
_FOR_EVER = "public, max-age=31536000, immutable"
_ASK_AGAIN = "no-cache"


@dataclass(frozen=True, slots=True)
class Kept:
    """Something that never changes while the process lives, with its strong ETag."""

    body: bytes
    zipped: bytes | None
    media: str
    tag: str

    def answer(self, request: Request, *, keep: str = _ASK_AGAIN) -> Response:
        """It, compressed if that is taken, or that what the browser has is still right."""
        body, zipped = self.body, self.zipped
        if not takes_gzip(request.headers.getlist("accept-encoding")):
            zipped = None
        tag = f'"{self.tag}-gzip"' if zipped else f'"{self.tag}"'
        headers = {"ETag": tag, "Cache-Control": keep, "Vary": "Accept-Encoding"}
        if tag in map(str.strip, request.headers.get("if-none-match", "").split(",")):
            return Response(status_code=304, headers=headers)
        if zipped:
            headers["Content-Encoding"] = "gzip"
        return Response(zipped or body, media_type=self.media, headers=headers)


def kept(body: bytes, media: str) -> Kept:
    """Something to be kept."""
    zipped = whole(body) if media.partition(";")[0] in TEXTS else None
    return Kept(body, zipped, media, hashlib.sha256(body).hexdigest()[:16])


@cache
def _files() -> tuple[str, Mapping[str, Kept]]:
    """The digest of all files, and each by its name."""
    found = {
        path.relative_to(HERE).as_posix(): kept(path.read_bytes(), _media(path))
        for path in sorted(HERE.rglob("*"))
        if path.is_file()
    }
    every = "".join(f"{name} {file.tag}\n" for name, file in found.items())
    return hashlib.sha256(every.encode()).hexdigest()[:12], found


def _media(path: Path) -> str:
    guessed, _ = mimetypes.guess_type(path.name)
    return _TEXT.get(path.suffix) or guessed or "application/octet-stream"


def address(name: str) -> str:
    """Where a browser gets a file from, and never asks for it again.

    Raises
    ------
    KeyError
        There is no such file.
    """
    digest, files = _files()
    if name not in files:
        raise KeyError(f"there is no file {name} in {HERE.name}")
    return f"/static/{digest}/{name}"


async def serve(request: Request) -> Response:
    """A file by its address; without the digest, or with that of another version, as it is now."""
    digest, files = _files()
    asked, name = "", request.path_params["name"]
    if name not in files:
        asked, _, name = name.partition("/")
    if name not in files:
        raise HTTPException(404)
    return files[name].answer(request, keep=_FOR_EVER if asked == digest else _ASK_AGAIN)


async def icon(request: Request) -> Response:
    """What a browser asks for beside a document that names no icon, such as a certificate."""
    _, files = _files()
    return files["icon.svg"].answer(request)
