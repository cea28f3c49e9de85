"""The traces sheet: its drawing, the picture of it, and what lies around it for a browser."""

from collections.abc import Collection
from dataclasses import dataclass

from starlette.datastructures import QueryParams
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from longsoak.core.cautions import cautions
from longsoak.store.logbook import Logbook
from longsoak.store.water import WaterRecord
from longsoak.vocabulary.rig import Rig
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.drawing.panel import Contact, Gap
from longsoak_dashboards.drawing.picture import WIDTH, day_tokens, draw_picture
from longsoak_dashboards.drawing.traces import draw_axis
from longsoak_dashboards.guards import with_style
from longsoak_dashboards.sheets import HERE, Sheets, sheet
from longsoak_dashboards.source import Heading, Reduced, Snapshot, Source
from longsoak_dashboards.view import notes, panels, standing
from longsoak_dashboards.view import traces as view
from longsoak_dashboards.view.chartplan import chart_plan
from longsoak_dashboards.view.marks import marks
from longsoak_dashboards.view.named import file_name
from longsoak_dashboards.view.pick import pick
from longsoak_dashboards.view.plans import PanelPlan
from longsoak_dashboards.view.scales import time_ticks
from longsoak_dashboards.view.span import Span, end_of, span_between, span_of
from longsoak_dashboards.view.valuetable import value_tables


@dataclass(frozen=True, slots=True)
class Drawn:
    """One view of the traces."""

    asked: view.Asked
    span: Span
    plans: tuple[PanelPlan, ...]
    readings: Reduced
    gaps: tuple[Gap, ...]
    panels: tuple[panels.DrawnPanel, ...]
    notes: tuple[notes.Note, ...]
    has_asides: bool


class TraceSheets(Sheets):
    """The traces of one rig."""

    def __init__(self, source: Source) -> None:
        super().__init__(source)
        self._tokens = day_tokens(HERE / "static" / "tokens.css")

    @sheet
    def traces(self, request: Request) -> Response:
        """The traces sheet."""
        snapshot = self.source.snapshot(now_ms=now_ms())
        rig, now, first = snapshot.rig, snapshot.now_ms, snapshot.first_ms
        drawn = self._draw(snapshot, request.query_params)
        asked, span = drawn.asked, drawn.span
        as_table = request.query_params.get("table") == "yes"
        has_pins = any(plan.kind.value == "pins" for plan in drawn.plans)
        return self.render(
            "traces.html.j2",
            "/traces",
            snapshot,
            lead=view.lead(asked, drawn.plans, span=span, now_ms=now),
            wrong=asked.wrong,
            not_set=standing.unset_sentence(first_ms=first, now_ms=now),
            not_recording=standing.recording_sentence(rig, last_ms=snapshot.last_ms, now_ms=now),
            gap=standing.gap_sentence(snapshot.last_gap, now_ms=now),
            choices=view.choices(asked, rig, has_asides=drawn.has_asides),
            pick=pick(asked, rig),
            plan=chart_plan(
                asked, drawn.plans, rig, span=span, first_ms=first, end_ms=_end(snapshot)
            ),
            panels=drawn.panels,
            lone=not any(panel.has_words for panel in drawn.panels),
            axis=draw_axis(span, _ticks(span), notes.marks_on(drawn.notes, span)),
            notes=drawn.notes,
            tables=value_tables(drawn.panels, now_ms=now) if as_table else (),
            table_link=f"{view.address_of(asked)}&table=yes#values",
            picture_link=view.address_of(asked, path="/traces/picture.svg"),
            numbers_link=_numbers_link(drawn),
            has_pins=has_pins,
            has_contacts=any(panel.pictured.contacts for panel in drawn.panels),
            cautions=cautions(rig) if has_pins else (),
            # A narrower interval than the time since the last look would show nothing new.
            every=min(300, max(1, round(span.length_ms / 1000 / panels.BUCKETS))),
        )

    @sheet
    def picture(self, request: Request) -> Response:
        """The same as one picture, which needs nothing beside it."""
        snapshot = self.source.snapshot(now_ms=now_ms())
        drawn = self._draw(snapshot, request.query_params)
        rig, span = snapshot.rig, drawn.span
        picture = draw_picture(
            [(panel.title, panel.note, panel.pictured) for panel in drawn.panels],
            span,
            drawn.gaps,
            width_ms=drawn.readings.width_ms,
            ticks=_ticks(span),
            notes=notes.marks_on(drawn.notes, span),
        )
        style = self.text("picture.css.j2", **self._tokens)
        head = self.head(snapshot)
        lead = view.lead(drawn.asked, drawn.plans, span=span, now_ms=snapshot.now_ms)
        text = self.text(
            "picture.svg.j2",
            title=f"{rig.name}, traces" + (", all invented" if rig.invented else ""),
            lead=f"{lead} {view.between_words(span)}.",
            source=f"Last read {head['read']}. Rig file {head['version']}.",
            style=style,
            body=picture.body,
            width=WIDTH,
            height=round(picture.height),
        )
        name = file_name(rig, "traces.svg")
        disposition = {"Content-Disposition": f'inline; filename="{name}"'}
        return Response(text, media_type="image/svg+xml", headers=with_style(style) | disposition)

    @sheet
    def around(self, request: Request) -> Response:
        """What lies around readings within a time: contacts, what they set aside, the logbook."""
        heading = self.source.heading(now_ms=now_ms())
        first, end = self.source.record.first_utc_ms(), _end(heading)
        asked = view.understand(request.query_params, heading.rig, first_ms=first, end_ms=end)
        span = span_between(asked.since_ms, asked.until_ms, first_ms=first, end_ms=end)
        around = self._around(heading.rig, span, now_ms=heading.now_ms)
        told = self._notes(heading.rig, span, now_ms=heading.now_ms)
        return JSONResponse(
            {
                "contacts": [
                    {"from": c.from_ms, "to": c.to_ms, "words": c.words} for c in around.contacts
                ],
                "asides": {name: list(times) for name, times in around.asides.items()},
                "notes": [notes.as_document(note) for note in told],
            }
        )

    def _draw(self, snapshot: Snapshot, query: QueryParams) -> Drawn:
        rig, now, first = snapshot.rig, snapshot.now_ms, snapshot.first_ms
        end = _end(snapshot)
        stored = self.source.record.gaps()
        asked = view.understand(query, rig, first_ms=first, end_ms=end)
        if asked.has_times:
            span = span_between(asked.since_ms, asked.until_ms, first_ms=first, end_ms=end)
        else:
            span = span_of(asked.hours, first_ms=first, end_ms=end, gaps=stored)
        plans = view.panels(asked, rig)
        gaps = panels.gaps_of(stored, rig, last_ms=snapshot.last_ms, span=span)
        reduced = self.source.reduced(
            [probe.name for plan in plans for probe in plan.probes],
            since_ms=span.since_ms,
            until_ms=span.until_ms,
            now_ms=now,
            buckets=panels.BUCKETS,
            aside=asked.aside,
        )
        around = self._around(rig, span, now_ms=now)
        now_marks = marks(rig, snapshot.readings, last_good_ms=snapshot.last_good_ms, now_ms=now)
        drawn = panels.draw_panels(
            plans,
            rig,
            {mark.probe.name: mark for mark in now_marks},
            reduced,
            span=span,
            gaps=gaps,
            left_out=() if asked.aside else left_out(self.source, reduced, span, now_ms=now),
            around=around,
        )
        told = self._notes(rig, span, now_ms=now)
        has_asides = bool(self.source.asides(rig, now_ms=now))
        return Drawn(asked, span, plans, reduced, gaps, drawn, told, has_asides)

    def _around(self, rig: Rig, span: Span, *, now_ms: int) -> panels.Around:
        return around_of(self.source, rig, span, now_ms=now_ms)

    def _notes(self, rig: Rig, span: Span, *, now_ms: int) -> tuple[notes.Note, ...]:
        entries = Logbook(self.source.record.folder).entries(since_ms=span.since_ms)
        return notes.notes_of(entries, span=span, now_ms=now_ms)


def around_of(source: Source, rig: Rig, span: Span, *, now_ms: int) -> panels.Around:
    """Contacts with the water that reach into a time, and what they set aside by probe."""
    if rig.reservoir is None:
        return panels.Around()
    contacts = tuple(
        Contact(w.from_ms, now_ms if w.until_ms is None else w.until_ms, f"contact {w.number}")
        for w in WaterRecord(source.record.folder).windows()
    )
    asides: dict[str, list[tuple[int, int]]] = {}
    for aside in source.asides(rig, now_ms=now_ms):
        until = span.until_ms if aside.until_ms is None else aside.until_ms
        if aside.from_ms < span.until_ms and until > span.since_ms:
            asides.setdefault(aside.probe, []).append((aside.from_ms, until))
    reaching = [c for c in contacts if c.from_ms < span.until_ms and c.to_ms > span.since_ms]
    return panels.Around(tuple(reaching), asides)


def left_out(source: Source, reduced: Reduced, span: Span, *, now_ms: int) -> Collection[str]:
    """The probes of which all that was measured is set aside, and so left out of `reduced`."""
    bare = [name for name, row in reduced.rows.items() if not panels.has_values(row)]
    whole = source.reduced(
        bare,
        since_ms=span.since_ms,
        until_ms=span.until_ms,
        now_ms=now_ms,
        buckets=panels.BUCKETS,
    )
    return {name for name, row in whole.rows.items() if panels.has_values(row)}


def _end(heading: Heading) -> int:
    return end_of(last_ms=heading.last_ms, now_ms=heading.now_ms)


def _ticks(span: Span) -> tuple[tuple[int, str], ...]:
    return time_ticks(span.since_ms, span.until_ms)


def _numbers_link(drawn: Drawn) -> str:
    names = [probe.name for plan in drawn.plans for probe in plan.probes]
    return view.readings_address(names, drawn.span, aside=drawn.asked.aside)
