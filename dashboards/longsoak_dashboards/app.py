"""The sheets as a web application: routes, and nothing a view model could do."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from longsoak.core.cautions import cautions
from longsoak.core.handflags import flags_of, laid_over
from longsoak.core.phases import phases
from longsoak.core.proof.book import Book
from longsoak.core.water.contact import RULE
from longsoak.store.health import HealthRecord
from longsoak.store.logbook import Logbook
from longsoak.store.photos import photo_at
from longsoak.store.water import WaterRecord
from longsoak.vocabulary.logbook import PHASE
from longsoak.vocabulary.rig import Kind, Rig
from longsoak_dashboards import static
from longsoak_dashboards.access.door import Door
from longsoak_dashboards.access.rights import Access
from longsoak_dashboards.alarmsheets import AlarmSheets
from longsoak_dashboards.api.handlers import Api
from longsoak_dashboards.api.readings import Readings
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.compress import Compressed
from longsoak_dashboards.drawing.traces import draw_axis
from longsoak_dashboards.events import News
from longsoak_dashboards.findingsheets import FindingSheets
from longsoak_dashboards.firsts import Firsts
from longsoak_dashboards.guards import KnownNames, SecureHeaders
from longsoak_dashboards.handsheets import HandSheets
from longsoak_dashboards.judging import Judging
from longsoak_dashboards.loginsheets import LoginSheets
from longsoak_dashboards.logsheets import LogSheets
from longsoak_dashboards.looks import Looks
from longsoak_dashboards.photosheets import PhotoSheets
from longsoak_dashboards.proofforms import ProofForms
from longsoak_dashboards.refusals import Refusals
from longsoak_dashboards.seensheets import SeenSheets
from longsoak_dashboards.server import set_up_interpreter
from longsoak_dashboards.sheets import Nothing, Sheets, sheet
from longsoak_dashboards.source import NotBegun, NotYet, Source
from longsoak_dashboards.tracesheets import TraceSheets, around_of, left_out
from longsoak_dashboards.view import panels
from longsoak_dashboards.view.backthen import as_it_was, asked_time
from longsoak_dashboards.view.health import health_page
from longsoak_dashboards.view.marks import marks
from longsoak_dashboards.view.probe import close_names, plan_of, probe_link, probe_page
from longsoak_dashboards.view.rail import rail
from longsoak_dashboards.view.scales import time_ticks
from longsoak_dashboards.view.section import section_page, trace_link
from longsoak_dashboards.view.span import end_of, span_of
from longsoak_dashboards.view.traces import shows_asides
from longsoak_dashboards.watersheets import WaterSheets


def create_app(source: Source, *, host: str, access: Access) -> Starlette:
    """The application for one rig, which was told to listen on `host`."""
    pages, looks = Pages(source), Looks()
    proof, logbook, alarms = ProofForms(source, looks), LogSheets(source), AlarmSheets(source)
    water, login = WaterSheets(source), LoginSheets(pages, access)
    traces, readings = TraceSheets(source), Readings(source)
    photos, hand, seen = PhotoSheets(source), HandSheets(source), SeenSheets(source)
    judging = Judging(source.record.folder)
    findings = FindingSheets(source, judging)

    def declared() -> str | None:
        try:
            return source.rig()[0].page
        except NotYet:
            return None

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        set_up_interpreter()
        app.state.news = News(source.record, source.rig_file)
        yield
        await app.state.news.close()
        judging.close()
        await run_in_threadpool(looks.close)

    return Starlette(
        routes=[
            Route("/", pages.section),
            Route("/traces", traces.traces),
            Route("/traces/picture.svg", traces.picture),
            Route("/traces/around.json", traces.around),
            Route("/api/1/readings", readings.readings),
            Route("/water", water.water),
            Route("/water/begin", water.begin, methods=["POST"]),
            Route("/water/live", water.live),
            Route("/water/end", water.end, methods=["POST"]),
            Route("/water/note", water.note, methods=["POST"]),
            Route("/alarms", alarms.alarms),
            Route("/alarms/acknowledge", alarms.acknowledge, methods=["POST"]),
            Route("/alarms/reset", alarms.reset, methods=["POST"]),
            Route("/alarms/shelve", alarms.shelve, methods=["POST"]),
            Route("/alarms/put-back", alarms.put_back, methods=["POST"]),
            Route("/health", pages.health),
            Route("/findings", findings.findings),
            Route("/probe/{name:path}", pages.probe),
            Route("/proof", proof.proof),
            Route("/proof/who", proof.who, methods=["GET"]),
            Route("/proof/who", proof.say_who, methods=["POST"]),
            Route("/proof/certificate", proof.certificate),
            Route("/proof/begin", proof.begin, methods=["POST"]),
            Route("/proof/at/{name:path}", proof.at),
            Route("/proof/read", proof.read, methods=["POST"]),
            Route("/proof/leave-out", proof.leave_out, methods=["POST"]),
            Route("/proof/safety", proof.safety, methods=["GET"]),
            Route("/proof/safety", proof.tick, methods=["POST"]),
            Route("/proof/touch", proof.touch, methods=["GET"]),
            Route("/proof/touch", proof.start_touch, methods=["POST"]),
            Route("/proof/touch/keep", proof.keep_touch, methods=["POST"]),
            Route("/proof/float", proof.start_float, methods=["POST"]),
            Route("/proof/float/keep", proof.keep_float, methods=["POST"]),
            Route("/proof/pour", proof.pour, methods=["POST"]),
            Route("/proof/pour/keep", proof.keep_pour, methods=["POST"]),
            Route("/proof/card/{name:path}", proof.card, methods=["GET"]),
            Route("/proof/card", proof.write_card, methods=["POST"]),
            Route("/proof/photo/{name}", proof.photo, methods=["GET"]),
            Route("/proof/photo", proof.take_photo, methods=["POST"]),
            Route("/proof/finish", proof.finish, methods=["POST"]),
            Route("/logbook", logbook.logbook, methods=["GET"]),
            Route("/logbook", logbook.write, methods=["POST"]),
            Route("/logbook/work", logbook.work, methods=["POST"]),
            Route("/logbook/phase", logbook.phase, methods=["POST"]),
            Route("/logbook/specimen", logbook.specimen, methods=["POST"]),
            Route("/logbook/weighing", logbook.weigh, methods=["POST"]),
            Route("/logbook/sample", logbook.sample, methods=["POST"]),
            Route("/logbook/seen", seen.seen, methods=["GET"]),
            Route("/logbook/seen", logbook.see, methods=["POST"]),
            Route("/logbook/photo/{name}", photos.photo),
            Route("/logbook/thumbnail/{name}", photos.thumbnail),
            Route("/logbook/{number:int}/photo/{place:int}", photos.one),
            Route("/hand", hand.hand, methods=["GET"]),
            Route("/hand", hand.write, methods=["POST"]),
            Route("/hand/check", hand.check, methods=["POST"]),
            *Api(source).routes(),
            Route("/events", _events),
            Route("/login", login.sheet, methods=["GET"]),
            Route("/login", login.log_in, methods=["POST"]),
            Route("/logout", login.log_out, methods=["POST"]),
            Route("/session.json", login.who),
            Route("/favicon.ico", static.icon),
            Route("/static/{name:path}", static.serve),
        ],
        exception_handlers=Refusals(pages).handlers,
        middleware=[
            Middleware(SecureHeaders),
            Middleware(KnownNames, host=host, declared=declared),
            Middleware(Door, access=access, refuse=pages.refuse),
            Middleware(Compressed),
        ],
        lifespan=lifespan,
    )


class Pages(Sheets):
    """The sheets of one rig that every reader looks at."""

    def __init__(self, source: Source) -> None:
        super().__init__(source)
        self._firsts = Firsts(source.rig_file)

    @sheet
    def section(self, request: Request) -> Response:
        """The section sheet, as it is or as it was; the first page while nothing was measured."""
        now = now_ms()
        at = asked_time(request.query_params.get("at", ""), now_ms=now)
        record, past = self.source.record, None
        try:
            if at is None:
                snapshot = self.source.snapshot(now_ms=now)
            else:
                snapshot = self.source.snapshot_at(at, now_ms=now)
        except NotBegun:
            return self.render("first.html.j2", "/", None, page=self._firsts.page())
        water, logbook = WaterRecord(record.folder), Logbook(record.folder)
        windows = water.windows()
        if at is not None:
            past = as_it_was(
                snapshot.rig, at_ms=at, now_ms=now, last_ms=snapshot.last_ms, windows=windows
            )
        return self.render(
            "section.html.j2",
            "/",
            replace(snapshot, now_ms=now),
            page=section_page(snapshot, as_it_was=past),
            probe_link=probe_link,
            rail=rail(
                first_ms=snapshot.first_ms,
                now_ms=now,
                shown_ms=at,
                top_ups=[each.at_ms for each in water.top_ups(logbook)],
                windows=windows,
                gaps=record.gaps(),
                phases=phases(logbook.entries(kind=PHASE)),
            ),
        )

    @sheet
    def health(self, request: Request) -> Response:
        """The health sheet: which readings can be believed."""
        heading = self.source.heading(now_ms=now_ms())
        record, rig = self.source.record, heading.rig
        kept, book = HealthRecord(record.folder), Book(record.proof_entries(), rig)
        over = self.source.over(rig, now_ms=heading.now_ms)
        read = record.latest(tuple(probe.name for probe in rig.probes))
        seen = kept.seen(book, over, laid_over(read, over, rig.probes))
        page = health_page(
            heading,
            seen,
            kept.findings(),
            self.source.by_hand(),
            file_changed=self.source.file_changed(heading.version),
        )
        return self.render("health.html.j2", "/health", heading, page=page, link=probe_link)

    @sheet
    def probe(self, request: Request) -> Response:
        """The sheet of one probe: what the label at its cable leads to."""
        now, name = now_ms(), request.path_params["name"]
        snapshot = self.source.snapshot(now_ms=now)
        rig = snapshot.rig
        by_name = {
            mark.probe.name: mark
            for mark in marks(
                rig, snapshot.readings, last_good_ms=snapshot.last_good_ms, now_ms=now
            )
        }
        if name not in by_name:
            return self.no_probe(name, rig)
        mark = by_name[name]
        end, stored = end_of(last_ms=snapshot.last_ms, now_ms=now), self.source.record.gaps()
        week, whole = (
            span_of(hours, first_ms=snapshot.first_ms, end_ms=end, gaps=stored)
            for hours in ("168", "all")
        )
        span = max(week, whole, key=lambda span: span.since_ms)
        shown = shows_asides(request.query_params)
        reduced = self.source.reduced(
            [name],
            since_ms=span.since_ms,
            until_ms=end,
            now_ms=now,
            buckets=panels.BUCKETS,
            aside=shown,
        )
        (panel,) = panels.draw_panels(
            [plan_of(mark.probe)],
            rig,
            by_name,
            reduced,
            span=span,
            gaps=panels.gaps_of(stored, rig, last_ms=snapshot.last_ms, span=span),
            left_out=() if shown else left_out(self.source, reduced, span, now_ms=now),
            around=around_of(self.source, rig, span, now_ms=now),
        )
        book = Book(self.source.record.proof_entries(), rig)
        return self.render(
            "probe.html.j2",
            request.url.path,
            snapshot,
            page=probe_page(
                snapshot,
                mark,
                book,
                flags=flags_of(self.source.by_hand(), mark.probe),
                asides=[a for a in self.source.asides(rig, now_ms=now) if a.probe == name],
                findings=HealthRecord(self.source.record.folder).findings(name),
                hand=self.source.hand_beside(mark.probe),
                has_photo=lambda photo: photo_at(self.source.record.folder, photo) is not None,
            ),
            panel=panel,
            when="Last 7 days" if span is week else "Since the first reading",
            axis=draw_axis(span, time_ticks(span.since_ms, span.until_ms)),
            traces=trace_link(mark, rig),
            aside=shown,
            rule=RULE,
            cautions=cautions(rig) if mark.probe.kind is Kind.PINS else (),
        )

    def no_probe(self, name: str, rig: Rig) -> Response:
        """What a label leads to whose probe is not in the rig file any more."""
        near = ", ".join(close_names(name, rig))
        remedy = f"Was one of these meant: {near}?" if near else "The section sheet lists them all."
        nothing = Nothing("No such probe", f"This rig has no probe called {name[:60]}.", remedy)
        return self.refusal("/", nothing, status=404)


async def _events(request: Request) -> Response:
    news: News = request.app.state.news
    return StreamingResponse(news.stream(), media_type="text/event-stream")
