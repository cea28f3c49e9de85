"""What programs can ask for, each under an address of its own below ``/api/1/``."""

from collections.abc import Sequence
from pathlib import Path
from typing import TypeVar

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from longsoak.core.logbookwords import entry_document
from longsoak.core.water.rounds import catches
from longsoak.core.wording import rfc3339
from longsoak.store.logbook import Logbook
from longsoak.store.water import WaterRecord
from longsoak.store.waterdocument import (
    aside_document,
    catch_document,
    contact_document,
    standing_document,
    top_up_document,
)
from longsoak.store.waterlook import TOP_UPS_MS, look
from longsoak.vocabulary.logbook import CUP
from longsoak.vocabulary.rig import Rig
from longsoak_dashboards.api.asked import Asked, Page, limit_of
from longsoak_dashboards.api.described import described, examples, operations
from longsoak_dashboards.api.documents import (
    alarm_documents,
    change_document,
    gap_document,
    rig_document,
)
from longsoak_dashboards.api.latest import latest_document
from longsoak_dashboards.api.problems import ROOT, Problem, answering
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.sheets import Sheets, sheet

_SPAN = ("from", "to")
_PAGED = ("skip", "limit")
_YEAR_MS = 366 * 86_400_000

Thing = TypeVar("Thing")


class Api(Sheets):
    """The interface of one rig. All of it can only be read."""

    def routes(self) -> list[Route]:
        """Every address."""
        return [
            Route(ROOT, self.explained),
            Route(f"{ROOT}openapi.json", described),
            Route(f"{ROOT}rig", self.rig),
            Route(f"{ROOT}latest", self.latest),
            Route(f"{ROOT}alarms", self.alarms),
            Route(f"{ROOT}alarms/changes", self.changes),
            Route(f"{ROOT}water", self.water),
            Route(f"{ROOT}water/top-ups", self.top_ups),
            Route(f"{ROOT}water/contacts", self.contacts),
            Route(f"{ROOT}water/cup-catches", self.catches),
            Route(f"{ROOT}logbook", self.logbook),
            Route(f"{ROOT}set-aside", self.set_aside),
            Route(f"{ROOT}gaps", self.gaps),
            Route("/state.json", self.state),  # asked by `longsoak watch` on machines out there
        ]

    @sheet
    def explained(self, request: Request) -> Response:
        """The sheet that tells people how to use it."""
        heading = self.source.heading(now_ms=now_ms())
        first = self.source.record.first_utc_ms() or heading.now_ms
        until = heading.now_ms if heading.last_ms is None else heading.last_ms
        since = max(first, until - _YEAR_MS)
        shown = examples(heading.rig.probes, since_ms=since, until_ms=until)
        return self.render(
            "api.html.j2",
            ROOT,
            heading,
            operations=operations(),
            base=request.base_url,
            shown=shown,
        )

    @answering
    def rig(self, request: Request) -> Response:
        """The rig as its file was accepted, the newest version or an older one."""
        asked = Asked(request, "version")
        rig, version = self.source.rig()
        versions = self.source.record.rig_versions()
        number = asked.number("version", version.number, least=1)
        found = next((each for each in versions if each.number == number), None)
        if found is None:
            raise Problem(404, f"There is no version {number} of the rig file in this record.")
        rig = self.source.rig_of(found)
        return JSONResponse(rig_document(rig, found, versions))

    @answering
    def latest(self, request: Request) -> Response:
        """Everything latest."""
        Asked(request)
        return JSONResponse(latest_document(self.source.snapshot(now_ms=now_ms())))

    @answering
    def state(self, request: Request) -> Response:
        """Whether the rig is being recorded, as MQTT tells it: that pages answer says nothing."""
        return JSONResponse(self.source.state())

    @answering
    def alarms(self, request: Request) -> Response:
        """Each alarm as it is now."""
        Asked(request)
        rig, _ = self.source.rig()
        return self._answer(rig, alarms=alarm_documents(rig, self.source.record.alarms()))

    @answering
    def changes(self, request: Request) -> Response:
        """What became of alarms, oldest first."""
        asked = Asked(request, "after", "limit")
        after, limit = asked.number("after", 0), limit_of(asked)
        rig, _ = self.source.rig()
        found = self.source.record.alarm_changes_after(after, limit=limit)
        plans = {plan.key: plan for plan in rig.alarms}
        full = len(found) == limit
        return self._answer(
            rig,
            changes=[change_document(change, plans.get(change.key)) for change in found],
            next=asked.again(after=found[-1].id) if full else None,
        )

    @answering
    def water(self, request: Request) -> Response:
        """How the water stands, where it goes and until when it lasts."""
        Asked(request)
        rig = self._wetted()
        seen = look(self.source.record, rig, now_ms=now_ms())
        return self._answer(rig, **standing_document(seen))

    @answering
    def top_ups(self, request: Request) -> Response:
        """Top-ups that the level shows beside those that were written down."""
        asked = Asked(request, *_SPAN, *_PAGED)
        rig, page = self._wetted(), Page.of(asked)
        since, until = asked.span(end_ms=now_ms(), usual=lambda until: until - TOP_UPS_MS)
        record, logbook = WaterRecord(self.source.record.folder), Logbook(self._folder)
        found = [
            top_up
            for top_up in record.top_ups(logbook, since_ms=since)
            if since <= top_up.at_ms < until
        ]
        cut, more = _cut(found, page, asked)
        return self._answer(rig, top_ups=[top_up_document(each) for each in cut], next=more)

    @answering
    def contacts(self, request: Request) -> Response:
        """The times in which water touched the specimen."""
        asked = Asked(request, *_PAGED)
        rig, page = self._wetted(), Page.of(asked)
        cut, more = _cut(WaterRecord(self._folder).windows(), page, asked)
        return self._answer(rig, contacts=[contact_document(each) for each in cut], next=more)

    @answering
    def catches(self, request: Request) -> Response:
        """What cups caught below the rails."""
        asked = Asked(request, *_PAGED)
        rig, page = self._wetted(), Page.of(asked)
        found = catches(Logbook(self._folder).entries(kind=CUP))
        cut, more = _cut(found, page, asked)
        return self._answer(rig, cup_catches=[catch_document(each) for each in cut], next=more)

    @answering
    def logbook(self, request: Request) -> Response:
        """What people wrote, the newest first."""
        asked = Asked(request, "upto", "limit", "kind")
        limit = limit_of(asked)
        upto = asked.number("upto", 0, least=1) or None
        rig, _ = self.source.rig()
        found = Logbook(self._folder).entries(upto=upto, kind=asked.get("kind"), limit=limit + 1)
        cut, rest = found[:limit], found[limit:]
        more = asked.again(upto=rest[0].number) if rest else None
        return self._answer(rig, entries=[entry_document(each) for each in cut], next=more)

    @answering
    def set_aside(self, request: Request) -> Response:
        """Readings that contacts with the water set aside."""
        asked = Asked(request, *_PAGED)
        rig, _ = self.source.rig()
        cut, more = _cut(self.source.asides(rig, now_ms=now_ms()), Page.of(asked), asked)
        return self._answer(rig, set_aside=[aside_document(each) for each in cut], next=more)

    @answering
    def gaps(self, request: Request) -> Response:
        """Times without readings between runs."""
        asked = Asked(request, *_PAGED)
        rig, _ = self.source.rig()
        cut, more = _cut(self.source.record.gaps(), Page.of(asked), asked)
        return self._answer(rig, gaps=[gap_document(each) for each in cut], next=more)

    @property
    def _folder(self) -> Path:
        return self.source.record.folder

    def _wetted(self) -> Rig:
        """The rig, if it has water to tell of."""
        rig, _ = self.source.rig()
        if rig.reservoir is None:
            raise Problem(404, "This rig has no reservoir, so there is no water to tell of.")
        return rig

    def _answer(self, rig: Rig, **told: object) -> Response:
        return JSONResponse({"rig": rig.name, "now": rfc3339(now_ms()), **told})


def _cut(found: Sequence[Thing], page: Page, asked: Asked) -> tuple[Sequence[Thing], str | None]:
    """Those that are wanted, and the address of what comes after them."""
    end = page.skip + page.limit
    more = asked.again(skip=end, limit=page.limit) if len(found) > end else None
    return found[page.skip : end], more
