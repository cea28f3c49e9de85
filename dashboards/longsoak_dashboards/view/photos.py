"""Photos as the sheets show them: small beside an entry, and large one by one."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from longsoak.core.logbookwords import speaks_of_ms, subject_words
from longsoak.store.thumbnails import WIDTHS
from longsoak.vocabulary.logbook import LogbookEntry
from longsoak_dashboards.view.sentences import capital, when


@dataclass(frozen=True, slots=True)
class Files:
    """What lies beside the record.

    It gives a photo's file name by its digest, or None, and says by its name whether a small
    picture of it can be shown.
    """

    name_of: Callable[[str], str | None]
    has_small: Callable[[str], bool]


@dataclass(frozen=True, slots=True)
class Picture:
    """A photo of an entry.

    `original` leads to its file, empty where that is gone; `sheet` to the photo alone. `small`
    holds the addresses of its small pictures with their widths, nothing where none can be shown.
    """

    digest: str
    original: str
    sheet: str
    small: tuple[tuple[str, int], ...]

    @property
    def set(self) -> str:
        """The small pictures as a browser chooses among them: by how dense its screen is."""
        (first, one), (second, two), *_ = self.small
        return f"{first} 1x, {second} {two / one:g}x"

    @property
    def large(self) -> str:
        """The largest of them."""
        return self.small[-1][0]


@dataclass(frozen=True, slots=True)
class PhotoPage:
    """One photo on its sheet; `before` and `after` lead to the ones around it, or are empty."""

    picture: Picture
    number: int
    place: int
    of: int
    when: Markup
    by: str
    about: str
    says: str
    before: str
    after: str
    back: str


def pictures(entry: LogbookEntry, files: Files) -> tuple[Picture, ...]:
    """The photos of an entry."""
    return tuple(
        picture(digest, files, sheet=_address(entry.number, place))
        for place, digest in enumerate(entry.photos, 1)
    )


def picture(digest: str, files: Files, *, sheet: str = "") -> Picture:
    """A photo by its digest."""
    name = files.name_of(digest)
    if name is None:
        return Picture(digest, "", "", ())
    original = f"/logbook/photo/{name}"
    small: tuple[tuple[str, int], ...] = ()
    if files.has_small(name):
        small = tuple((f"/logbook/thumbnail/{digest}-{width}.jpg", width) for width in WIDTHS)
    return Picture(digest, original, sheet or original, small)


def photo_page(
    entries: Sequence[LogbookEntry],
    number: int,
    place: int,
    *,
    now_ms: int,
    files: Files,
) -> PhotoPage | None:
    """Work out the sheet of photo `place` of an entry; None if there is none.

    Parameters
    ----------
    entries : sequence of LogbookEntry
        All of them, the newest first: one goes from photo to photo in that order.
    number, place : int
        The entry's number, and which of its photos, from 1.
    now_ms : int
        UTC now, ms.
    files : Files
        What lies beside the record.
    """
    every = [(entry, nth) for entry in entries for nth in range(1, len(entry.photos) + 1)]
    at = next((i for i, (e, nth) in enumerate(every) if (e.number, nth) == (number, place)), None)
    if at is None:
        return None
    entry, _ = every[at]
    around = [
        _address(every[i][0].number, every[i][1]) if 0 <= i < len(every) else ""
        for i in (at - 1, at + 1)
    ]
    return PhotoPage(
        picture=pictures(entry, files)[place - 1],
        number=number,
        place=place,
        of=len(entry.photos),
        when=when(speaks_of_ms(entry), now_ms=now_ms),
        by=entry.by,
        about=capital(subject_words(entry.subject)),
        says=entry.says,
        before=around[0],
        after=around[1],
        back=f"/logbook?upto={number}#entry-{number}",
    )


def _address(number: int, place: int) -> str:
    return f"/logbook/{number}/photo/{place}"
