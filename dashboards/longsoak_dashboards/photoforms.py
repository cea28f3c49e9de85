"""Forms with photos, as a phone sends them, and photos as they are given back."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from starlette.responses import FileResponse

from longsoak.core.logbook import MOST_PHOTOS
from longsoak.store.photos import LARGEST, name_of
from longsoak.store.thumbnails import keep_seen
from longsoak.vocabulary.errors import RequestError, StoreError
from longsoak_dashboards.forms import WAITED, Form, Upload, upload

LARGEST_FORM = 4 * LARGEST  # bytes, photos included
FOR_EVER = {"Cache-Control": "private, max-age=31536000, immutable"}  # named by what is in it
# A photo is whatever somebody sent: it is shown, and may do nothing.
_INERT = {"Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; sandbox"}


@dataclass(frozen=True, slots=True)
class Filled:
    """A form as it was filled in; `photos` are digests, `wrong` says why the rest were not kept."""

    said: Form
    photos: tuple[str, ...]
    wrong: RequestError | StoreError | None


# Takes a form with photos, as `forms.upload` does.
photo_form = upload(
    largest=LARGEST_FORM,
    files=MOST_PHOTOS + 1,
    fields=60,
    too_large=f"An entry with photos of up to {LARGEST_FORM / 1e6:g} MB together is taken. "
    "Nothing was kept.",
    unreadable=f"The form can't be read, or holds more than {MOST_PHOTOS} photos. "
    "Nothing was kept.",
)


def filled(came: Upload, fields: Sequence[str], folder: Path) -> Filled:
    """Keep a form's photos, one by one: none lies in memory beside another.

    Where one is refused, those before it are kept and need not be sent again.
    """
    said = {name: came.said.get(name, "") for name in (*fields, WAITED)}
    digests = [digest for digest in came.all_of("kept") if name_of(folder, digest) is not None]
    wrong: RequestError | StoreError | None = None
    try:
        for photo in came.files("photo"):
            digests.append(keep_seen(folder, photo.file.read()).sha256)  # noqa: PERF401 - kept so far
    except (RequestError, StoreError) as error:
        wrong = error
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
