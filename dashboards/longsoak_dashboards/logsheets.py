"""The logbook's sheet: read by everybody, written by whoever stands at the rig."""

import secrets
from collections.abc import Mapping, Sequence
from functools import partial
from typing import TypedDict
from urllib.parse import urlencode

from starlette.datastructures import UploadFile
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response

from longsoak.core.handflags import flag_said
from longsoak.core.logbook import (
    MOST_PHOTOS,
    check_against,
    check_entry,
    subject_called,
    text_of,
)
from longsoak.core.moments import moment_of
from longsoak.store.logbook import Logbook
from longsoak.store.logbookrequests import ask_to_write
from longsoak.store.photos import LARGEST, keep_photo, name_of, photo_at
from longsoak.store.requests import waiting_before
from longsoak.vocabulary.errors import RequestError, StoreError
from longsoak.vocabulary.logbook import FLAG, LogbookEntry
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import Rig
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.forms import WAITED, Form, Upload, once_number, upload, waited_ms
from longsoak_dashboards.initials import INITIALS, by_of, remember
from longsoak_dashboards.sheets import Sheets, sheet
from longsoak_dashboards.source import NotYet, Source
from longsoak_dashboards.view import logbook as logbook_view
from longsoak_dashboards.view.alarms import Told

_LARGEST_FORM = 4 * LARGEST  # bytes, photos included
_FIELDS = ("text", "by", "about", "at", "flag", "until", "corrects", "once")
_FOR_EVER = {"Cache-Control": "private, max-age=31536000, immutable"}  # named by what is in it


class LogSheets(Sheets):
    """The logbook of one rig."""

    first = "/logbook"

    def __init__(self, source: Source) -> None:
        super().__init__(source)
        self._logbook = Logbook(source.record.folder)

    @sheet
    def logbook(self, request: Request) -> Response:
        """What was written, newest first, and the form."""
        asked = request.query_params
        said = {"by": by_of(request)}
        said |= {name: asked[name] for name in ("about", "corrects") if name in asked}
        return self._sheet(said, (), told=self._told(asked), upto=_number(asked.get("upto")))

    def photo(self, request: Request) -> Response:
        """A photo that is kept."""
        found = photo_at(self.source.record.folder, request.path_params["name"])
        if found is None:
            return self.refuse("There is no such photo.", 404)
        path, media = found
        return FileResponse(path, media_type=media, headers=_FOR_EVER)

    @upload(
        largest=_LARGEST_FORM,
        files=MOST_PHOTOS + 1,
        fields=40,
        too_large=f"An entry with photos of up to {_LARGEST_FORM / 1e6:g} MB together is taken. "
        "Nothing was kept.",
        unreadable=f"The form can't be read, or holds more than {MOST_PHOTOS} photos. "
        "Nothing was kept.",
    )
    def write(self, request: Request, came: Upload) -> Response:
        """Ask that an entry be kept; one that can't be is shown again with why."""
        said = {name: came.said.get(name, "") for name in (*_FIELDS, WAITED)}
        return self._write(said, came.all_of("kept"), came.files("photo"))

    def _write(self, said: Form, kept: Sequence[str], photos: Sequence[UploadFile]) -> Response:
        folder = self.source.record.folder
        digests = [digest for digest in kept if name_of(folder, digest) is not None]
        try:
            rig, _ = self.source.rig()
            # One by one: where one is refused, those before it need not be sent again, and memory
            # holds one at a time.
            digests.extend(keep_photo(folder, photo.file.read()).sha256 for photo in photos)
            digests = list(dict.fromkeys(digests))
            entry = self._entry(said, digests, rig)
            answer = RedirectResponse(self._ask_once(said, entry), status_code=303)
        except NotYet as nothing:
            return self.refuse(f"{nothing.says} Nothing was kept.", 503)
        except RequestError as error:
            return self._again(said, digests, str(error), status=400)
        except StoreError as error:
            return self._again(said, digests, str(error), status=503)
        return remember(answer, INITIALS, said["by"])

    def _entry(self, said: Form, photos: Sequence[str], rig: Rig) -> LogbookEntry:
        now, corrects = now_ms(), said["corrects"]
        written = now - waited_ms(said)
        if corrects and not corrects.isdecimal():
            raise RequestError(f"{corrects[:20]!r} is no entry's number. Nothing was kept.")
        entry = LogbookEntry(
            asked_utc_ms=now,
            at_utc_ms=moment_of(said["at"], now_ms=written) if said["at"] else written,
            by=said["by"],
            says=text_of(said["text"]),
            subject=subject_called(said["about"] or "rig", rig),
            corrects=int(corrects) if corrects else None,
            photos=tuple(photos),
            **_flagged(said, written),
        )
        check_entry(entry)
        began_ms, last = self._logbook.record_began_ms(), self._logbook.last()
        check_against(entry, rig, began_ms=began_ms, last=last)
        return entry

    def _ask_once(self, said: Form, entry: LogbookEntry) -> str:
        """Ask, and return where it is told; a form that comes twice is asked once.

        A button may be pressed twice, and a phone that lost its signal does not know whether what
        it sent was taken, be it days ago.
        """
        number = once_number(said, _FIELDS, *entry.photos)
        request = ask_to_write(self.source.record.folder, entry, number=number)
        # Without a fragment: a browser without scripts would go there and not look again.
        return f"/logbook?{urlencode({'asked': request.uuid, 'since': entry.asked_utc_ms})}"

    def _told(self, asked: Mapping[str, str]) -> Told | None:
        uuid, since = asked.get("asked", ""), _number(asked.get("since"))
        if not uuid or since is None:
            return None
        waits = waiting_before(self.source.record.folder, uuid) is not None
        outcome = self.source.record.outcome(uuid)  # after, or it could be taken in between
        if outcome is None and not waits:
            return None  # made up, or asked of a record that lay here before
        return logbook_view.told(outcome, asked_ms=since, now_ms=now_ms())

    def _again(self, said: Form, photos: Sequence[str], wrong: str, *, status: int) -> Response:
        try:
            shown = Told(wrong, wants_a_look=True, waiting=False)
            return self._sheet(said, photos, told=shown, status=status)
        except (NotYet, StoreError) as error:
            return self.refuse(str(error), 503)

    def _sheet(
        self,
        said: Mapping[str, str],
        photos: Sequence[str],
        *,
        told: Told | None,
        upto: int | None = None,
        status: int = 200,
    ) -> Response:
        now = now_ms()
        heading = self.source.heading(now_ms=now)
        names = partial(name_of, self.source.record.folder)
        waiting = told is not None and told.waiting
        form = logbook_view.form_of(
            heading.rig, said, photos, once=secrets.token_hex(8), now_ms=now, name_of=names
        )
        last = self._logbook.last()
        entries = self._logbook.entries(upto=upto, limit=logbook_view.NEWEST)
        page = logbook_view.logbook_page(
            entries,
            heading.rig,
            None if waiting else form,
            last=last,
            now_ms=now,
            first_ms=self.source.record.first_utc_ms(),
            name_of=names,
        )
        return self.render(
            "logbook.html.j2",
            "/logbook",
            heading,
            page=page,
            told=told,
            waiting=waiting,
            status=status,
        )


class _Content(TypedDict, total=False):
    """What an entry is beside a note."""

    kind: str
    content: Mapping[str, Json]


def _flagged(said: Form, now: int) -> _Content:
    """What makes the entry one that flags readings, if it is to."""
    if not said["flag"]:
        if said["until"]:
            raise RequestError(
                "An end is for a flag: say what the readings are, or leave the end empty. "
                "Nothing was kept."
            )
        return {}
    until = moment_of(said["until"], now_ms=now) if said["until"] else None
    return {"kind": FLAG, "content": flag_said(said["flag"], until_ms=until, now_ms=now)}


def _number(words: str | None) -> int | None:
    return int(words) if words and words.isdecimal() and len(words) < 16 else None
