"""Forms with photos, as a phone sends them, and photos as they are given back."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartException
from starlette.requests import Request
from starlette.responses import FileResponse

from longsoak.core.logbook import MOST_PHOTOS
from longsoak.store.photos import LARGEST, name_of
from longsoak.store.thumbnails import keep_seen
from longsoak.vocabulary.errors import RequestError, StoreError
from longsoak_dashboards.forms import WAITED, Form

LARGEST_FORM = 4 * LARGEST  # bytes, photos included
FOR_EVER = {"Cache-Control": "private, max-age=31536000, immutable"}  # named by what is in it
# A photo is whatever somebody sent: it is shown, and may do nothing.
_INERT = {"Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; sandbox"}


class Unreadable(Exception):  # noqa: N818 - a form, and no error of ours
    """A form that can't be read: why, in a sentence, and the status to answer with."""

    def __init__(self, says: str, status: int) -> None:
        super().__init__(says, status)
        self.says = says
        self.status = status


@dataclass(frozen=True, slots=True)
class Filled:
    """A form as it was filled in; `photos` are digests, `wrong` says why the rest were not kept."""

    said: Form
    photos: tuple[str, ...]
    wrong: RequestError | StoreError | None


async def filled(request: Request, fields: Sequence[str], folder: Path) -> Filled:
    """Read a form and keep its photos, one by one: none lies in memory beside another.

    Where one is refused, those before it are kept and need not be sent again.

    Raises
    ------
    Unreadable
        It is out of all proportion, or no form.
    """
    length = request.headers.get("content-length", "")
    if not length.isdigit() or int(length) > LARGEST_FORM:
        most = f"{LARGEST_FORM / 1e6:g} MB"
        says = f"An entry with photos of up to {most} together is taken. Nothing was kept."
        raise Unreadable(says, 413)
    wrong: RequestError | StoreError | None = None
    try:
        async with request.form(max_files=MOST_PHOTOS + 1, max_fields=60) as form:
            said = {name: str(form.get(name, "")).strip() for name in (*fields, WAITED)}
            before = [str(digest) for digest in form.getlist("kept")]
            digests = [digest for digest in before if name_of(folder, digest) is not None]
            for photo in form.getlist("photo"):
                # One that was left empty comes as a file without a name.
                if wrong is None and isinstance(photo, UploadFile) and photo.filename:
                    try:
                        kept = await run_in_threadpool(keep_seen, folder, await photo.read())
                        digests.append(kept.sha256)
                    except (RequestError, StoreError) as error:
                        wrong = error
    except (HTTPException, MultiPartException) as error:
        says = f"The form can't be read, or holds more than {MOST_PHOTOS} photos."
        raise Unreadable(f"{says} Nothing was kept.", 400) from error
    return Filled(said, tuple(dict.fromkeys(digests)), wrong)


def photo_answer(path: Path, media: str) -> FileResponse:
    """A photo as it was sent, to the byte, under a name of its own."""
    shown = "inline" if media != "image/heic" else "attachment"
    return FileResponse(
        path,
        media_type=media,
        filename=f"photo-{path.name[:12]}{path.suffix}",
        content_disposition_type=shown,
        headers={**FOR_EVER, **_INERT},
    )
