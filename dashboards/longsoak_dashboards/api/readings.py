"""`/api/1/readings`: readings of some probes over a time, reduced, or each of them."""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain

import orjson
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse

from longsoak.core.wording import meant_words, rfc3339
from longsoak.vocabulary.rig import Probe, Rig
from longsoak_dashboards.api import single
from longsoak_dashboards.api.asked import Asked, wants_csv
from longsoak_dashboards.api.csvtext import reduced_lines
from longsoak_dashboards.api.documents import Document
from longsoak_dashboards.api.longanswers import LongAnswers
from longsoak_dashboards.api.problems import Problem, answering
from longsoak_dashboards.api.series import Row, document, of_buckets, of_reading
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.source import Source
from longsoak_dashboards.view.named import file_name
from longsoak_dashboards.view.panels import gaps_of
from longsoak_dashboards.view.span import Span, end_of

MOST_POINTS = 5000
USUAL_POINTS = 1000
MOST_PROBES = 500  # at once: as many as no rig has, and few enough to be looked for
_CSV = "text/csv; charset=utf-8; header=present"
_JSON = "application/json"
ALL = "all"  # single readings, however many


@dataclass(frozen=True, slots=True)
class Wanted:
    """What was asked for; `points` is None for every single reading. Times are UTC ms."""

    probes: Mapping[str, Probe]
    span: Span
    now_ms: int
    points: int | None
    aside: bool
    csv: bool

    @property
    def names(self) -> tuple[str, ...]:
        """The probes' names."""
        return tuple(self.probes)


class _Numbers(JSONResponse):
    """A document of thousands of numbers, written in a tenth of the time."""

    def render(self, content: object) -> bytes:
        """The text; what is no finite number is null."""
        return orjson.dumps(content)


class Readings:
    """The endpoint of one rig."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._long = LongAnswers()

    @answering
    def readings(self, request: Request) -> Response:
        """Readings as JSON or CSV."""
        rig, _ = self._source.rig()
        wanted = self._understood(request, rig)
        media, headers = _CSV if wanted.csv else _JSON, _headers(rig, wanted)
        if request.method == "HEAD":
            return StreamingResponse(iter(()), media_type=media, headers=headers)
        head: Document = {
            "rig": rig.name,
            "from": rfc3339(wanted.span.since_ms),
            "to": rfc3339(wanted.span.until_ms),
        }
        if wanted.points is None:
            parts = self._parts(head, wanted)
            return self._long.answer(parts, media_type=media, headers=headers)
        raw, interval_ms, rows = rows_of(self._source, wanted, points=wanted.points)
        if wanted.csv:
            lines = reduced_lines(rows, wanted.probes)
            return StreamingResponse(lines, media_type=media, headers=headers)
        gaps = gaps_of(
            self._source.record.gaps(),
            rig,
            last_ms=self._source.record.last_utc_ms(),
            span=wanted.span,
        )
        return _Numbers(
            {
                **head,
                "raw": raw,
                "interval_ms": interval_ms,
                "probes": [document(probe, rows[name]) for name, probe in wanted.probes.items()],
                "gaps": [
                    {"from": rfc3339(gap.from_ms), "to": rfc3339(gap.to_ms), "words": gap.words}
                    for gap in gaps
                ],
            }
        )

    def _parts(self, head: Document, wanted: Wanted) -> Iterator[str]:
        """Every single reading, made while it is sent."""
        readings = self._source.readings(
            wanted.names,
            since_ms=wanted.span.since_ms,
            until_ms=wanted.span.until_ms,
            now_ms=wanted.now_ms,
            aside=wanted.aside,
        )
        # Some are read first, so that a record that can't be read is told by the status.
        readings = chain([next(readings, [])], readings)
        if wanted.csv:
            return single.as_csv(readings, wanted.probes)
        return single.as_json(head, readings, wanted.probes)

    def _understood(self, request: Request, rig: Rig) -> Wanted:
        asked = Asked(request, "from", "to", "points", "aside", "format", several=("probe",))
        known = {probe.name: probe for probe in rig.probes}
        names = asked.all("probe")
        if not names:
            says = "No probe is named: write probe= with a probe's name, once for each of them."
            raise Problem(400, says)
        if len(names) > MOST_PROBES:
            says = f"{len(names)} probes are named, and at most {MOST_PROBES} can be."
            raise Problem(400, says)
        for name in names:
            if name not in known:
                near = meant_words(name[:60], known) or "/api/1/latest lists them all."
                raise Problem(404, f"This rig has no probe called {name[:60]!r}. {near}")
        now, record = now_ms(), self._source.record
        last, first = record.last_utc_ms(), record.first_utc_ms()
        since, until = asked.span(
            end_ms=end_of(last_ms=last, now_ms=now),
            usual=lambda end: end if first is None else min(first, end),
        )
        points = None
        if asked.get("points") != ALL:
            points = asked.number("points", USUAL_POINTS, least=1, most=MOST_POINTS, other=ALL)
        return Wanted(
            {name: known[name] for name in names},
            Span(since, until),
            now,
            points,
            asked.word("aside", ("with", "without")) != "without",
            wants_csv(request, asked),
        )


def rows_of(
    source: Source, wanted: Wanted, *, points: int
) -> tuple[bool, int, Mapping[str, Sequence[Row]]]:
    """Rows by probe: whether they are single readings, else how long an interval is, ms.

    Single ones if no probe has more than `points`.
    """
    since_ms, until_ms = wanted.span.since_ms, wanted.span.until_ms
    width_ms, reduced = source.reduced(
        wanted.names,
        since_ms=since_ms,
        until_ms=until_ms,
        now_ms=wanted.now_ms,
        buckets=points,
        aside=wanted.aside,
    )
    most = max((sum(b.readings for b in row) for row in reduced.values()), default=0)
    if most > points:
        return False, width_ms, {name: of_buckets(row) for name, row in reduced.items()}
    found: dict[str, list[Row]] = defaultdict(list)
    for some in source.readings(
        wanted.names,
        since_ms=since_ms,
        until_ms=until_ms,
        now_ms=wanted.now_ms,
        aside=wanted.aside,
    ):
        for reading in some:
            found[reading.probe].append(of_reading(reading, wanted.probes[reading.probe]))
    return True, 0, {name: found[name] for name in wanted.names}


def _headers(rig: Rig, wanted: Wanted) -> dict[str, str]:
    """How an answer is saved: rows as a file, each reading under a name; a drawing's points not."""
    what = "readings" if wanted.points is None else "traces"
    if wanted.csv:
        name = file_name(rig, f"{what}.csv")
        return {"Content-Disposition": f'attachment; filename="{name}"'}
    if wanted.points is None:
        name = file_name(rig, f"{what}.json")
        return {"Content-Disposition": f'inline; filename="{name}"'}
    return {}
