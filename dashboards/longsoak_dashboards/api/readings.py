"""`/api/1/readings`: readings of some probes over a time, reduced, or each of them."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from http import HTTPStatus
from itertools import chain

from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse

from longsoak.core.wording import meant_words, rfc3339
from longsoak.vocabulary.rig import Probe, Rig
from longsoak_dashboards.api import csvtext
from longsoak_dashboards.api.longanswers import LongAnswers
from longsoak_dashboards.api.problems import Problem, answering
from longsoak_dashboards.api.series import Row, document, of_bucket, of_reading
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.moments import time_in
from longsoak_dashboards.source import Source
from longsoak_dashboards.view.panels import gaps_of
from longsoak_dashboards.view.span import Span, end_of

MOST_POINTS = 5000
USUAL_POINTS = 1000
MOST_PROBES = 500  # at once: as many as no rig has, and few enough to be looked for
_CSV = "text/csv; charset=utf-8; header=present"
ALL = "all"  # single readings, however many


@dataclass(frozen=True, slots=True)
class Wanted:
    """What was asked for; `points` is None for every single reading. Times are UTC ms."""

    probes: tuple[Probe, ...]
    span: Span
    points: int | None
    aside: bool
    csv: bool

    @property
    def names(self) -> tuple[str, ...]:
        """The probes' names."""
        return tuple(probe.name for probe in self.probes)


class Readings:
    """The endpoint of one rig."""

    def __init__(self, source: Source, long: LongAnswers) -> None:
        self._source = source
        self._long = long

    @answering
    def readings(self, request: Request) -> Response:
        """Readings as JSON or CSV."""
        rig, _ = self._source.rig()
        wanted = self._understood(request, rig)
        if wanted.points is None:
            lines = csvtext.single_lines(
                self._source.readings(
                    wanted.names,
                    since_ms=wanted.span.since_ms,
                    until_ms=wanted.span.until_ms,
                    aside=wanted.aside,
                ),
                {probe.name: probe for probe in wanted.probes},
            )
            # Its head is made first, so that a record that can't be read is told by the status.
            whole = chain([next(lines)], () if request.method == "HEAD" else lines)
            headers = _as_file(rig, "readings")
            return self._long.answer(whole, media_type=_CSV, headers=headers)
        raw, interval_ms, rows = rows_of(self._source, wanted, points=wanted.points)
        if wanted.csv:
            lines = csvtext.reduced_lines(rows, {probe.name: probe for probe in wanted.probes})
            return StreamingResponse(lines, media_type=_CSV, headers=_as_file(rig, "traces"))
        gaps = gaps_of(
            self._source.record.gaps(),
            rig,
            last_ms=self._source.record.last_utc_ms(),
            span=wanted.span,
        )
        return JSONResponse(
            {
                "rig": rig.name,
                "from": rfc3339(wanted.span.since_ms),
                "to": rfc3339(wanted.span.until_ms),
                "raw": raw,
                "interval_ms": interval_ms,
                "probes": [document(probe, rows[probe.name]) for probe in wanted.probes],
                "gaps": [
                    {"from": rfc3339(gap.from_ms), "to": rfc3339(gap.to_ms), "words": gap.words}
                    for gap in gaps
                ],
            }
        )

    def _understood(self, request: Request, rig: Rig) -> Wanted:
        asked = request.query_params
        known = {probe.name: probe for probe in rig.probes}
        names = list(dict.fromkeys(asked.getlist("probe")))
        if not names:
            raise _bad("No probe is named: write probe= with a probe's name, once for each of them")
        if len(names) > MOST_PROBES:
            raise _bad(f"{len(names)} probes are named, and at most {MOST_PROBES} can be")
        for name in names:
            if name not in known:
                near = meant_words(name, known) or "/api/1/latest lists them all."
                says = f"This rig has no probe called {name[:60]!r}. {near}"
                raise Problem(HTTPStatus.NOT_FOUND, says)
        written = asked.get("format", "json")
        if written not in ("json", "csv"):
            raise _bad(f"format is json or csv, not {written[:20]!r}")
        aside = asked.get("aside", "with")
        if aside not in ("with", "without"):
            raise _bad(f"aside is with or without, not {aside[:20]!r}")
        return Wanted(
            tuple(known[name] for name in names),
            self._span(asked),
            _points(asked.get("points"), csv=written == "csv"),
            aside == "with",
            written == "csv",
        )

    def _span(self, asked: Mapping[str, str]) -> Span:
        """The time asked for; without a beginning or an end, that of the record."""
        times: dict[str, int] = {}
        for name in ("from", "to"):
            if name in asked:
                try:
                    times[name] = time_in(asked[name])
                except ValueError as error:
                    raise _bad(f"{name}: {error}") from error
        record = self._source.record
        end = times.get("to")
        if end is None:
            end = end_of(last_ms=record.last_utc_ms(), now_ms=now_ms())
        since = times.get("from")
        if since is None:
            first = record.first_utc_ms()
            since = end if first is None else min(first, end)
        if since > end:
            says = f"from, {rfc3339(since)}, is after to, {rfc3339(end)}: exchange them"
            raise _bad(says)
        return Span(since, end)


def rows_of(
    source: Source, wanted: Wanted, *, points: int
) -> tuple[bool, int, Mapping[str, Sequence[Row]]]:
    """Rows by probe: whether they are single readings, else how long an interval is, ms.

    Single ones if no probe has more than `points`.
    """
    since_ms, until_ms = wanted.span.since_ms, wanted.span.until_ms
    width_ms, reduced = source.reduced(
        wanted.names, since_ms=since_ms, until_ms=until_ms, buckets=points, aside=wanted.aside
    )
    most = max((sum(b.readings for b in row) for row in reduced.values()), default=0)
    if most > points:
        return False, width_ms, {name: list(map(of_bucket, row)) for name, row in reduced.items()}
    known = {probe.name: probe for probe in wanted.probes}
    found: dict[str, list[Row]] = defaultdict(list)
    for some in source.readings(
        wanted.names, since_ms=since_ms, until_ms=until_ms, aside=wanted.aside
    ):
        for reading in some:
            found[reading.probe].append(of_reading(reading, known[reading.probe]))
    return True, 0, {name: found[name] for name in wanted.names}


def _points(written: str | None, *, csv: bool) -> int | None:
    if written == ALL:
        if not csv:
            raise _bad("points=all goes with format=csv, which is sent as it is read")
        return None
    if written is None:
        return USUAL_POINTS
    if not (written.isascii() and written.isdigit() and 1 <= int(written[:9]) <= MOST_POINTS):
        raise _bad(
            f"points is a whole number from 1 to {MOST_POINTS}, or all with format=csv, "
            f"not {written[:20]!r}"
        )
    return int(written)


def _as_file(rig: Rig, what: str) -> dict[str, str]:
    return {"Content-Disposition": f'attachment; filename="{csvtext.file_name(rig.name, what)}"'}


def _bad(says: str) -> Problem:
    return Problem(HTTPStatus.BAD_REQUEST, f"{says}.")
