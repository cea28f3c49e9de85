"""The sheets as a web application: routes, and nothing a view model could do."""

from collections import OrderedDict
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from functools import wraps
from pathlib import Path
from urllib.parse import parse_qs, urlencode

import jinja2
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import (
    HTMLResponse,
    JSONResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
    StreamingResponse,
)
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from longsoak.core.cautions import cautions
from longsoak.core.wording import time_words
from longsoak.store import requests
from longsoak.vocabulary.errors import RequestError, StoreError
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.drawing.traces import draw_axis
from longsoak_dashboards.events import News
from longsoak_dashboards.guards import KnownNames, SecureHeaders, from_elsewhere
from longsoak_dashboards.source import NotYet, Snapshot, Source
from longsoak_dashboards.view import alarms as alarm_view
from longsoak_dashboards.view import panels, standing
from longsoak_dashboards.view import traces as trace_view
from longsoak_dashboards.view.latest import latest_document
from longsoak_dashboards.view.marks import marks
from longsoak_dashboards.view.scales import time_ticks
from longsoak_dashboards.view.section import section_page
from longsoak_dashboards.view.sentences import day_words, moment

SHEETS = (("/", "Section"), ("/traces", "Traces"), ("/alarms", "Alarms"))
_HERE = Path(__file__).parent
_LARGEST_FORM = 4096  # bytes
_REMEMBERED = 200  # requests whose asker and time are told until they are taken
_DAY_MS = 86_400_000

Handler = Callable[["Pages", Request], Response]


def create_app(source: Source, *, host: str) -> Starlette:
    """The application for one rig, which was told to listen on `host`."""
    pages = Pages(source)

    def declared() -> str | None:
        try:
            return source.rig()[0].page
        except NotYet:
            return None

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        app.state.news = News(source.record)
        yield
        await app.state.news.close()

    return Starlette(
        routes=[
            Route("/", pages.section),
            Route("/traces", pages.traces),
            Route("/alarms", pages.alarms),
            Route("/alarms/acknowledge", pages.acknowledge, methods=["POST"]),
            Route("/now.json", pages.now),
            Route("/events", _events),
            Mount("/static", StaticFiles(directory=_HERE / "static")),
        ],
        exception_handlers={404: pages.not_found},
        middleware=[
            Middleware(SecureHeaders),
            Middleware(KnownNames, host=host, declared=declared),
        ],
        lifespan=lifespan,
    )


def _sheet(handler: Handler) -> Handler:
    """Answer with the calm page where there is nothing to show yet."""

    @wraps(handler)
    def answer(pages: "Pages", request: Request) -> Response:
        try:
            return handler(pages, request)
        except NotYet as nothing:
            return pages.render("nothing.html.j2", request.url.path, None, nothing=nothing)
        except StoreError as error:
            unread = NotYet(str(error), "Look at the disk, then reload this page.")
            return pages.render("nothing.html.j2", request.url.path, None, nothing=unread)

    return answer


class Pages:
    """The sheets of one rig. Handlers run in threads; each reads the record afresh."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._asked: OrderedDict[str, requests.Request] = OrderedDict()
        self._templates = jinja2.Environment(
            loader=jinja2.FileSystemLoader(_HERE / "templates"),
            autoescape=True,
            undefined=jinja2.StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )

    def render(
        self,
        template: str,
        path: str,
        snapshot: Snapshot | None,
        *,
        status: int = 200,
        **shown: object,
    ) -> HTMLResponse:
        """One sheet as HTML."""
        head: dict[str, object] = {"rig": None, "read": "", "read_short": "", "version": ""}
        if snapshot is not None:
            last = snapshot.last_ms
            head = {
                "rig": snapshot.rig,
                "read": time_words(last) if last is not None else "nothing yet",
                "read_short": f"read {moment(last, now_ms=snapshot.now_ms)} UTC"
                if last is not None
                else "nothing read yet",
                "version": f"version {snapshot.version.number}, "
                f"{day_words(snapshot.version.accepted_utc_ms)}",
            }
        html = self._templates.get_template(template).render(
            **head, sheets=SHEETS, path=path, **shown
        )
        return HTMLResponse(html, status_code=status)

    @_sheet
    def section(self, request: Request) -> Response:
        """The section sheet."""
        snapshot = self._source.snapshot(now_ms=now_ms())
        return self.render("section.html.j2", "/", snapshot, page=section_page(snapshot))

    @_sheet
    def traces(self, request: Request) -> Response:
        """The traces sheet."""
        snapshot = self._source.snapshot(now_ms=now_ms())
        rig, now, first = snapshot.rig, snapshot.now_ms, snapshot.first_ms
        asked = trace_view.understand(request.query_params, rig, first_ms=first, now_ms=now)
        span = trace_view.span_of(asked, first_ms=first, now_ms=now)
        plans = trace_view.panels(asked, rig)
        gaps = panels.gaps_of(self._source.record.gaps(), rig, last_ms=snapshot.last_ms, span=span)
        reduced = self._source.reduced(
            [probe.name for plan in plans for probe in plan.probes],
            since_ms=span.since_ms,
            until_ms=span.until_ms,
            buckets=panels.BUCKETS,
        )
        now_marks = marks(rig, snapshot.readings, last_good_ms=snapshot.last_good_ms, now_ms=now)
        by_name = {mark.probe.name: mark for mark in now_marks}
        return self.render(
            "traces.html.j2",
            "/traces",
            snapshot,
            lead=trace_view.lead(asked, plans),
            not_recording=standing.recording_sentence(rig, last_ms=snapshot.last_ms, now_ms=now),
            gap=standing.gap_sentence(snapshot.last_gap, now_ms=now),
            choices=trace_view.choices(asked, rig),
            panels=panels.draw_panels(plans, rig, by_name, reduced, span=span, gaps=gaps),
            axis=draw_axis(span, time_ticks(span.since_ms, span.until_ms)),
            has_pins=asked.what == "pins",
            cautions=cautions(rig) if asked.what == "pins" else (),
            # A narrower bucket than the time since the last look would show nothing new.
            every=min(300, max(1, round((span.until_ms - span.since_ms) / 1000 / panels.BUCKETS))),
        )

    @_sheet
    def alarms(self, request: Request) -> Response:
        """The alarms sheet."""
        told = None
        if asked := request.query_params.get("asked"):
            told = self._told(asked, request.query_params.get("key", ""))
        return self._alarms_sheet(told=told)

    async def acknowledge(self, request: Request) -> Response:
        """Ask the measuring process to acknowledge an alarm."""
        if from_elsewhere(request.headers):
            return PlainTextResponse(
                "This form was sent from a page of another site, so nothing was asked. "
                "Acknowledge on the alarms sheet itself.\n",
                status_code=403,
            )
        body = b""
        async for chunk in request.stream():
            body += chunk
            if len(body) > _LARGEST_FORM:
                return PlainTextResponse("The form is too large.\n", status_code=413)
        form = parse_qs(body.decode("utf-8", errors="replace"))
        key, by = (form.get(name, [""])[0].strip() for name in ("key", "by"))
        return await run_in_threadpool(self._acknowledge, key, by)

    def now(self, request: Request) -> Response:
        """Everything latest, for programs."""
        now = now_ms()
        try:
            snapshot = self._source.snapshot(now_ms=now)
        except NotYet as nothing:
            return JSONResponse({"error": nothing.says, "remedy": nothing.remedy}, 503)
        return JSONResponse(latest_document(snapshot))

    def not_found(self, request: Request, error: Exception) -> Response:
        """Anything that is no sheet."""
        nothing = NotYet("There is no such sheet.", "The sheets of this rig are listed below.")
        return self.render("nothing.html.j2", request.url.path, None, nothing=nothing, status=404)

    def _acknowledge(self, key: str, by: str) -> Response:
        try:
            rig, _ = self._source.rig()
            known = key in self._source.record.alarms() or any(p.key == key for p in rig.alarms)
        except (NotYet, StoreError) as error:
            return PlainTextResponse(f"{error}\n", status_code=503)
        wrong = ""
        if not known:
            wrong = f"There is no alarm called {key!r}; nothing was asked."
        status = 400
        if not wrong:
            try:
                request = requests.ask(
                    self._source.record.folder,
                    kind=requests.ACKNOWLEDGE,
                    subject=key,
                    by=by,
                    utc_ms=now_ms(),
                )
            except RequestError as error:
                wrong = str(error)
            except StoreError as error:
                wrong, status = str(error), 503
            else:
                self._asked[request.uuid] = request
                while len(self._asked) > _REMEMBERED:
                    self._asked.popitem(last=False)
                query = urlencode({"asked": request.uuid, "key": key})
                return RedirectResponse(f"/alarms?{query}#told", status_code=303)
        told = alarm_view.Told(wrong, wants_a_look=True, waiting=False)
        return self._alarms_sheet(told=told, wrong_key=key, wrong_by=by, status=status)

    def _alarms_sheet(
        self,
        *,
        told: alarm_view.Told | None,
        wrong_key: str = "",
        wrong_by: str = "",
        status: int = 200,
    ) -> Response:
        snapshot = self._source.snapshot(now_ms=now_ms())
        record = self._source.record
        changes = record.alarm_changes_since(snapshot.now_ms - alarm_view.LOG_DAYS * _DAY_MS)
        if alarm_view.lacks_a_beginning(snapshot, changes):
            changes = record.alarm_changes_since(0)
        return self.render(
            "alarms.html.j2",
            "/alarms",
            snapshot,
            page=alarm_view.alarms_page(snapshot, changes),
            told=told,
            wrong_key=wrong_key,
            wrong_by=wrong_by,
            status=status,
        )

    def _told(self, uuid: str, key: str) -> alarm_view.Told | None:
        outcome = self._source.record.outcome(uuid)
        request = self._asked.get(uuid)
        if outcome is None and request is None:
            return None  # asked of an earlier life of this process, or made up
        rig, _ = self._source.rig()
        return alarm_view.told(
            outcome,
            by=request.by if request else "",
            title=alarm_view.title_of(rig, request.subject if request else key),
            asked_ms=request.asked_utc_ms if request else None,
            now_ms=now_ms(),
        )


async def _events(request: Request) -> Response:
    news: News = request.app.state.news
    return StreamingResponse(news.stream(), media_type="text/event-stream")
