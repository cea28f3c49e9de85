"""The water's sheet: how it stands, and a top-up guided beside the bucket."""

import asyncio
import json
import secrets
from collections.abc import AsyncIterator
from functools import partial
from urllib.parse import urlencode

import anyio.to_thread
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response, StreamingResponse

from longsoak.core.logbook import check_against, check_entry
from longsoak.core.water.entries import ends_ms, top_up_content, window_at, windows
from longsoak.core.water.guide import Told
from longsoak.store.files import recording
from longsoak.store.guiding import RENEW, Guiding, ask_attention, top_up_entry
from longsoak.store.logbook import Logbook
from longsoak.store.logbookrequests import ask_to_write
from longsoak.store.waterlook import look
from longsoak.vocabulary.errors import RequestError, StoreError
from longsoak.vocabulary.logbook import SERVICE, LogbookEntry
from longsoak.vocabulary.rig import Reservoir, Rig
from longsoak_dashboards.access.sessions import visit
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.events import News
from longsoak_dashboards.forms import Form, form, once_number, waited_ms
from longsoak_dashboards.initials import INITIALS, by_of, remember
from longsoak_dashboards.sheets import Sheets, sheet
from longsoak_dashboards.source import NotYet
from longsoak_dashboards.view.alarms import Told as Shown
from longsoak_dashboards.view.pour import (
    NEXT_WORDS,
    SOURCES,
    Pouring,
    at_rest,
    column_of,
    pouring,
)
from longsoak_dashboards.view.sentences import ago, when
from longsoak_dashboards.view.standing import water_now
from longsoak_dashboards.view.water import water_page
from longsoak_dashboards.view.waterentries import FIELDS, entry_of, litres_said

LOOKS_EVERY = 0.4  # s between two words to a page that guides
LONGEST = 4 * 3_600_000  # ms of one top-up; a page left open for longer guides nobody
_AHEAD_MS = 60_000  # by which a clock may have been set back since it began


class WaterSheets(Sheets):
    """The water of one rig."""

    @sheet
    def water(self, request: Request) -> Response:
        """How the water stands, or the top-up that began at the time in the address."""
        since_ms = _since(request)
        return self._sheet({"by": by_of(request)}, since_ms, told=None)

    @form
    def begin(self, request: Request, said: Form) -> Response:
        """Have level and float looked at closely, and lead to the guide."""
        by = said.get("by", "")
        try:
            rig, _ = self._reservoir()
            if not recording(self.source.record.folder):
                raise RequestError(
                    "Nothing is recording, so nobody would see the water rise. Start "
                    "`longsoak run` first. Nothing was asked."
                )
            self._look_closely(Guiding(self.source.record, rig), by)
        except (NotYet, StoreError) as error:
            return self._sheet(said, None, told=_wrong(str(error)), status=503)
        except RequestError as error:
            return self._sheet(said, None, told=_wrong(str(error)), status=400)
        answer = RedirectResponse(f"/water?{urlencode({'since': now_ms()})}", status_code=303)
        return remember(answer, INITIALS, by)

    def live(self, request: Request) -> Response:
        """What to do at the can, a few times a second."""
        since_ms = _since(request)
        by = by_of(request) if visit().may_change else ""  # it asks for a closer look
        if since_ms is None:
            return PlainTextResponse("No top-up is under way.\n", status_code=404)
        news: News = request.app.state.news
        stream = self._stream(since_ms, by, news)
        return StreamingResponse(stream, media_type="text/event-stream")

    @form
    def end(self, request: Request, said: Form) -> Response:
        """Ask that a top-up be kept in the logbook, as the levels around its end tell of it."""
        came_ms = now_ms() - waited_ms(said)
        try:
            rig, _ = self._reservoir()
            entry = self._entry(said, rig, came_ms)
            number = once_number(said, ("once", "since", "litres", "source", "by"))
            asked = ask_to_write(self.source.record.folder, entry, number=number)
        except (NotYet, StoreError) as error:
            return self._sheet(said, None, told=_wrong(str(error)), status=503)
        except RequestError as error:
            return self._sheet(
                said, _number(said.get("since", "")), told=_wrong(str(error)), status=400
            )
        query = urlencode({"asked": asked.uuid, "since": entry.asked_utc_ms})
        answer = RedirectResponse(f"/logbook?{query}", status_code=303)
        return remember(answer, INITIALS, said.get("by", ""))

    @form
    def note(self, request: Request, said: Form) -> Response:
        """Ask that a water round, a cup catch or a service window be kept in the logbook."""
        came_ms = now_ms() - waited_ms(said)
        try:
            rig, _ = self._reservoir()
            logbook = Logbook(self.source.record.folder)
            entry = entry_of(said, rig, window=self._window(), came_ms=came_ms, now_ms=now_ms())
            check_entry(entry)
            check_against(entry, rig, began_ms=logbook.record_began_ms(), last=logbook.last())
            number = once_number(said, ("once", *FIELDS))
            asked = ask_to_write(self.source.record.folder, entry, number=number)
        except (NotYet, StoreError) as error:
            return self._sheet(said, None, told=_wrong(str(error)), status=503)
        except RequestError as error:
            return self._sheet(said, None, told=_wrong(str(error)), status=400)
        query = urlencode({"asked": asked.uuid, "since": entry.asked_utc_ms})
        answer = RedirectResponse(f"/logbook?{query}", status_code=303)
        return remember(answer, INITIALS, said.get("by", ""))

    def _window(self) -> LogbookEntry | None:
        """The service window that is open."""
        found = windows(Logbook(self.source.record.folder).entries(kind=SERVICE))
        return window_at(found, now_ms())

    def _entry(self, said: Form, rig: Rig, came_ms: int) -> LogbookEntry:
        since_ms = _number(said.get("since", ""))
        stopped_ms = came_ms - (_number(said.get("ago", "")) or 0)
        if since_ms is None or not 0 <= stopped_ms - since_ms <= LONGEST:
            raise RequestError("It is not known when this top-up began. Nothing was kept.")
        by_can = litres_said(said.get("litres", ""))
        guiding = Guiding(self.source.record, rig)
        guiding.follow(since_ms=since_ms, now_ms=now_ms(), stopped_ms=stopped_ms)
        found = guiding.ended()
        if found is None and by_can is None:
            raise RequestError(
                "The level was not known meanwhile. Say the litres by the can. Nothing was kept."
            )
        content = top_up_content(
            litres=None if found is None else round(found.litres, 3),
            before_mm=None if found is None else round(found.before_mm, 2),
            after_mm=None if found is None else round(found.after_mm, 2),
            litres_by_can=by_can,
            source=said.get("source", ""),
        )
        entry = top_up_entry(
            by=said.get("by", ""),
            stopped_ms=stopped_ms,
            asked_ms=now_ms(),
            content=content,
            underside=rig.specimen.underside,
        )
        check_entry(entry)
        logbook = Logbook(self.source.record.folder)
        check_against(entry, rig, began_ms=logbook.record_began_ms(), last=logbook.last())
        return entry

    async def _stream(self, since_ms: int, by: str, news: News) -> AsyncIterator[bytes]:
        guiding: Guiding | None = None
        clock = asyncio.get_running_loop().time
        asked = clock()
        while not news.closing and now_ms() - since_ms < LONGEST:
            try:
                if guiding is None:
                    following, told = await anyio.to_thread.run_sync(self._follow, since_ms)
                else:
                    following = guiding
                    told = await anyio.to_thread.run_sync(partial(following.look, now_ms=now_ms()))
                guiding = following
                if by and clock() - asked >= RENEW:
                    asked = clock()
                    await anyio.to_thread.run_sync(self._look_closely, following, by)
                shown = _shown(following, told, now_ms() - since_ms)
                said = {**shown.as_json(), "calm": following.settled}
                yield f"event: pour\ndata: {json.dumps(said)}\n\n".encode()
            except (NotYet, StoreError, RequestError):
                guiding = None  # the page tells by itself that it hears nothing
            await asyncio.sleep(LOOKS_EVERY)

    def _follow(self, since_ms: int) -> tuple[Guiding, Told]:
        """A top-up that began at a time, gone over anew."""
        rig, _ = self._reservoir()
        guiding = Guiding(self.source.record, rig)
        return guiding, guiding.follow(since_ms=since_ms, now_ms=now_ms())

    def _reservoir(self) -> tuple[Rig, Reservoir]:
        rig, _ = self.source.rig()
        if rig.reservoir is None:
            raise NotYet(
                "This rig has no reservoir.",
                "A rig file with [reservoir] gets a sheet for it: its shape, its level and "
                "where pouring has to stop.",
            )
        return rig, rig.reservoir

    def _look_closely(self, guiding: Guiding, by: str) -> None:
        ask_attention(self.source.record.folder, guiding, by=by, utc_ms=now_ms())

    def _sheet(
        self, said: Form, since_ms: int | None, *, told: Shown | None, status: int = 200
    ) -> Response:
        rig, reservoir = self._reservoir()
        now = now_ms()
        snapshot = self.source.snapshot(now_ms=now)
        began = page = window = None
        if since_ms is None:
            record, window = self.source.record, self._window()
            page = water_page(
                snapshot,
                water_now(rig, snapshot.readings, now_ms=now),
                look(record, rig, now_ms=now),
            )
            shown = at_rest(rig, reservoir, snapshot.readings.get(reservoir.level), now_ms=now)
        else:
            guiding, seen = self._follow(since_ms)
            shown, began = _shown(guiding, seen, now - since_ms), guiding.began_mm
        return self.render(
            "water.html.j2",
            "/water",
            snapshot,
            guide=shown,
            since=since_ms,
            level_age="not yet" if shown.age_s is None else ago(shown.age_s),
            once=secrets.token_hex(8),
            sources=SOURCES,
            column=column_of(shown, reservoir, rig.specimen.underside, began=began),
            next_words=NEXT_WORDS,
            page=page,
            bays=[bay.name for bay in rig.specimen.bays],
            window=None
            if window is None
            else Markup("{}, until {}").format(
                Markup('<span class="hand">{}</span>').format(window.says),
                when(ends_ms(window), now_ms=now),
            ),
            said={**dict.fromkeys((*FIELDS, "litres"), ""), **said},
            told=told,
            status=status,
        )


def _since(request: Request) -> int | None:
    """When the top-up began that an address speaks of, ms; None for one that is long over.

    A made-up beginning months ago would have all readings since then gone through.
    """
    since_ms = _number(request.query_params.get("since", ""))
    if since_ms is None or not -_AHEAD_MS <= now_ms() - since_ms <= LONGEST:
        return None
    return since_ms


def _number(words: str) -> int | None:
    return int(words) if words.isdecimal() and len(words) < 16 else None


def _wrong(says: str) -> Shown:
    return Shown(says, wants_a_look=True, waiting=False)


def _shown(guiding: Guiding, told: Told, since_ms: int) -> Pouring:
    return pouring(told, guiding.setting, began=guiding.began_mm, since_s=since_ms / 1000)
