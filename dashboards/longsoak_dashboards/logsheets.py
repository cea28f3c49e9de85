"""The logbook's sheet: read by everybody, written by whoever stands at the rig."""

import secrets
from collections.abc import Callable, Mapping, Sequence
from typing import TypedDict

from starlette.requests import Request
from starlette.responses import Response

from longsoak.core.closing import closing_list
from longsoak.core.gates import gate_content
from longsoak.core.handflags import flag_said
from longsoak.core.logbook import subject_called, text_of
from longsoak.core.moments import moment_of
from longsoak.core.phases import WETTING, begun, ended, phase_at, phases
from longsoak.core.samples import samples
from longsoak.core.water.entries import window_at, windows
from longsoak.core.weighings import no_window_words, weighings
from longsoak.store.gatelook import gates_kept, gates_of
from longsoak.vocabulary.errors import RequestError, StoreError
from longsoak.vocabulary.gate import Gate
from longsoak.vocabulary.logbook import (
    CLOSING,
    FLAG,
    OBSERVATION,
    PHASE,
    SAMPLE,
    SERVICE,
    WEIGHING,
    LogbookEntry,
)
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import Rig
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.forms import WAITED, Form, Upload, form, waited_ms
from longsoak_dashboards.initials import INITIALS, by_of, remember
from longsoak_dashboards.logasking import LogAsking
from longsoak_dashboards.photoforms import Filled, filled, photo_form
from longsoak_dashboards.sheets import sheet
from longsoak_dashboards.source import NotYet
from longsoak_dashboards.view import logbook as logbook_view
from longsoak_dashboards.view import sampleentries, specimenentries, weighingentries
from longsoak_dashboards.view.alarms import Told
from longsoak_dashboards.view.logasked import corrected_number, count_in, moment_said
from longsoak_dashboards.view.logfilter import Filter, understand
from longsoak_dashboards.view.seenentries import FIELDS as _SEEN
from longsoak_dashboards.view.seenentries import place_again, said_again, seen_entry
from longsoak_dashboards.view.waterentries import entry_of

_NOTE = ("text", "by", "about", "at", "flag", "until", "corrects", "once")
_WORK = ("what", "text", "lasts", "by", "once")
_PHASE = (
    *("what", "phase", "name", "control", "text", "at", "corrects", "by", "once"),
    *("although", "safe"),
)
_END = "end"  # of a phase
_ASKED = ("about", "corrects", "again")  # what an address may fill in


class LogSheets(LogAsking):
    """The logbook of one rig."""

    first = "/logbook"

    @sheet
    def logbook(self, request: Request) -> Response:
        """What was written, newest first, and the forms."""
        asked = request.query_params
        said = {"by": by_of(request)} | {name: asked[name] for name in _ASKED if name in asked}
        if asked.get("begins") == WETTING:  # whoever wants to see its gates beforehand
            said |= {"what": "begin", "of": PHASE, "phase": WETTING}
        return self._sheet(said, told=self._more(self.told(asked), asked), asked=asked)

    @photo_form
    def write(self, request: Request, sent: Upload) -> Response:
        """Ask that an entry be kept; one that can't be is shown again with why."""
        return self._ask_of_upload(sent, _NOTE, make=_noted)

    @form
    def work(self, request: Request, said: Form) -> Response:
        """Ask that a service window be kept, or ended."""
        came_ms = now_ms() - waited_ms(said)

        def entry(rig: Rig) -> LogbookEntry:
            return entry_of(said, rig, window=self._window(), came_ms=came_ms, now_ms=now_ms())

        return self._ask(said, _WORK, make=entry)

    @form
    def phase(self, request: Request, said: Form) -> Response:
        """Ask that a phase begin, or that the one there is end."""
        return self._ask(said, _PHASE, make=lambda rig: self._phase(said, rig))

    @form
    def specimen(self, request: Request, said: Form) -> Response:
        """Ask that what was done to the specimen be kept, or an answer to the closing list."""
        came_ms = now_ms() - waited_ms(said)

        def entry(rig: Rig) -> LogbookEntry:
            return specimenentries.entry_of(said, rig, came_ms=came_ms, now_ms=now_ms())

        return self._ask(said, specimenentries.FIELDS, make=entry)

    @photo_form
    def see(self, request: Request, sent: Upload) -> Response:
        """Ask that what was seen be kept; what can't be is shown again with why."""

        def entry(came: Filled, rig: Rig) -> LogbookEntry:
            said, now = came.said, now_ms()
            written = self.written_ms(said, said["corrects"], OBSERVATION, now=now)
            return seen_entry(said, rig, came.photos, written_ms=written, now_ms=now)

        return self._ask_of_upload(sent, _SEEN, make=entry)

    @photo_form
    def weigh(self, request: Request, sent: Upload) -> Response:
        """Ask that a weighing of the specimen be kept; what can't be is shown again with why."""

        def entry(came: Filled, _: Rig) -> LogbookEntry:
            said, now = came.said, now_ms()
            written = self.written_ms(said, said["corrects"], WEIGHING, now=now)
            return weighingentries.weighing_entry(said, came.photos, written_ms=written, now_ms=now)

        return self._ask_of_upload(sent, weighingentries.FIELDS, make=entry)

    @form
    def sample(self, request: Request, came: Form) -> Response:
        """Ask that a sample be kept as it was cut, or completed once it is dry."""
        said = {name: came.get(name, "") for name in (*sampleentries.FIELDS, WAITED)}

        def entry(rig: Rig) -> LogbookEntry:
            now, number = now_ms(), sampleentries.taken_from(said)
            written = self.written_ms(said, number, SAMPLE, now=now)
            corrects = corrected_number(number)
            was = None if corrects is None else self.log.entry(corrects)
            return sampleentries.sample_entry(said, rig, was, written_ms=written, now_ms=now)

        return self._ask(said, sampleentries.FIELDS, make=entry)

    def _ask_of_upload(
        self, sent: Upload, fields: Sequence[str], *, make: Callable[[Filled, Rig], LogbookEntry]
    ) -> Response:
        """Ask for the entry of a form with photos."""
        came = filled(sent, fields, self.source.record.folder)

        def entry(rig: Rig) -> LogbookEntry:
            if came.wrong is not None:
                raise came.wrong
            return make(came, rig)

        return self._ask(came.said, fields, make=entry, photos=came.photos)

    def _ask(
        self,
        said: Form,
        fields: Sequence[str],
        *,
        make: Callable[[Rig], LogbookEntry],
        photos: Sequence[str] = (),
    ) -> Response:
        try:
            rig, _ = self.source.rig()
            answer = self.ask_once(said, fields, make(rig), rig, to="/logbook")
        except NotYet as nothing:
            return self.refuse(f"{nothing.says} Nothing was kept.", 503)
        except (RequestError, StoreError) as error:
            status = 400 if isinstance(error, RequestError) else 503
            return self._again(said, photos, str(error), status=status)
        return remember(answer, INITIALS, said.get("by", ""))

    def _phase(self, said: Form, rig: Rig) -> LogbookEntry:
        now = now_ms()
        corrects = corrected_number(said.get("corrects", ""))
        at_ms = self._begins_ms(said, now=now)
        by, says = said.get("by", ""), text_of(said.get("text", ""))
        if said.get("what") == _END:
            known = phases(self.log.entries(kind=PHASE))
            return ended(known, by=by, says=says, at_ms=at_ms, now_ms=now, corrects=corrects)
        return begun(
            said.get("phase", ""),
            name=said.get("name", ""),
            by=by,
            says=says,
            at_ms=at_ms,
            now_ms=now,
            corrects=corrects,
            control=said.get("control", ""),
            gates=self._gates_kept(said, rig, corrects=corrects, at_ms=at_ms),
        )

    def _begins_ms(self, said: Mapping[str, str], *, now: int) -> int:
        """When what a form tells of began or ended, UTC ms."""
        if said.get("at"):
            return moment_of(said["at"], now_ms=now - waited_ms(said))
        return self.written_ms(said, said.get("corrects", ""), PHASE, now=now)

    def _gates_kept(
        self, said: Form, rig: Rig, *, corrects: int | None, at_ms: int
    ) -> Mapping[str, Json] | None:
        """What is kept of the gates of what begins; refused where one stays shut."""
        if said.get("phase") != WETTING:
            return None
        record, safe_by = self.source.record, said.get("safe", "")
        kept = gates_kept(record, corrects, at_ms=at_ms)
        if kept is not None:
            return kept
        found = gates_of(record, rig, at_ms=at_ms, now_ms=now_ms(), safe_by=safe_by)
        return gate_content(found, although=said.get("although", ""), safe_by=safe_by)

    def _gates(self, said: Mapping[str, str], rig: Rig, *, now: int) -> Sequence[Gate]:
        """The gates as they stand, where a wetting is about to begin or is moved."""
        if said.get("phase") != WETTING:
            return ()
        try:
            at_ms, corrects = (
                self._begins_ms(said, now=now),
                corrected_number(said.get("corrects", "")),
            )
        except RequestError:
            return ()  # it is told already that this is no time
        if gates_kept(self.source.record, corrects, at_ms=at_ms) is not None:
            return ()
        return gates_of(self.source.record, rig, at_ms=at_ms, now_ms=now)

    def _window(self, at_ms: int | None = None) -> LogbookEntry | None:
        """The service window that is open, now unless told otherwise."""
        at_ms = now_ms() if at_ms is None else at_ms
        return window_at(windows(self.log.entries(kind=SERVICE)), at_ms)

    def _more(self, told: Told | None, asked: Mapping[str, str]) -> Told | None:
        """What became of an entry, with what else there is to say of a weighing."""
        kept = self.log.of_request(asked.get("asked", "")) if told is not None else None
        if told is None or kept is None or kept.kind != WEIGHING:
            return told
        if self._window(kept.at_utc_ms) is not None:
            return told
        words = f"{told.words} {no_window_words(logbook_view.OPENS)}"
        return Told(words, told.wants_a_look, told.waiting)

    def _again(self, said: Form, photos: Sequence[str], wrong: str, *, status: int) -> Response:
        try:
            shown = Told(wrong, wants_a_look=True, waiting=False)
            return self._sheet(said, photos, told=shown, status=status)
        except (NotYet, StoreError) as error:
            return self.refuse(str(error), 503)

    def _sheet(
        self,
        said: Mapping[str, str],
        photos: Sequence[str] = (),
        *,
        told: Told | None,
        asked: Mapping[str, str] | None = None,
        status: int = 200,
    ) -> Response:
        now = now_ms()
        heading = self.source.heading(now_ms=now)
        waiting = told is not None and told.waiting
        chosen = understand(asked or {}, heading.rig, now_ms=now)
        entries = self.log.entries(kind=PHASE)
        known = phases(entries)
        form = logbook_view.form_of(
            heading.rig,
            self._filled_in(said),
            photos,
            once=secrets.token_hex(8),
            now_ms=now,
            files=self.files,
            window=self._window(),
            phase=phase_at(known, now),
            gates=self._gates(said, heading.rig, now=now),
            closing=closing_list([*entries, *self.log.entries(kind=CLOSING)]),
            pieces=samples(self.log.entries(kind=SAMPLE)),
            weighed=weighings(self.log.entries(kind=WEIGHING)),
        )
        page = logbook_view.logbook_page(
            self._chosen(chosen, count_in((asked or {}).get("upto"))),
            heading.rig,
            None if waiting else form,
            chosen,
            known,
            last=self.log.last(),
            now_ms=now,
            first_ms=self.source.record.first_utc_ms(),
            files=self.files,
        )
        return self.render(
            "logbook.html.j2",
            "/logbook",
            heading,
            page=page,
            told=told
            or (Told(chosen.wrong, wants_a_look=True, waiting=False) if chosen.wrong else None),
            waiting=waiting,
            status=status,
        )

    def _chosen(self, chosen: Filter, upto: int | None) -> list[LogbookEntry]:
        """The entries of one sheet, and one more where there are older ones."""
        return self.log.entries(
            upto=upto,
            limit=logbook_view.NEWEST + 1,
            kind=chosen.kind,
            subject=chosen.subject,
            since_ms=chosen.since_ms,
            until_ms=chosen.until_ms,
        )

    def _filled_in(self, said: Mapping[str, str]) -> Mapping[str, str]:
        """What the forms hold: for what is set right, what it was, and for a place, where."""
        again = count_in(said.get("again"))
        looked = None if again is None else self.log.entry(again)
        if looked is not None and looked.kind == OBSERVATION:
            only = str(looked.content["of"])
            return {**place_again(looked), "of": OBSERVATION, "only": only, **said}
        number = count_in(said.get("corrects"))
        entry = None if number is None or "text" in said else self.log.entry(number)
        if entry is not None and entry.kind == OBSERVATION:
            return {**said_again(entry), "text": entry.says, "of": OBSERVATION, **said}
        if entry is not None and entry.kind == WEIGHING:
            return {**weighingentries.said_again(entry), **said}
        if entry is not None and entry.kind == SAMPLE:
            return {**sampleentries.said_again(entry), **said}
        if entry is None or entry.kind != PHASE:
            return said
        phase = entry.content["phase"]
        was = {"what": _END} if phase is None else {"phase": str(phase)}
        named = {key: str(entry.content.get(key, "")) for key in ("name", "control")}
        return {**named, **was, "of": PHASE, **said}


class _Content(TypedDict, total=False):
    """What an entry is beside a note."""

    kind: str
    content: Mapping[str, Json]


def _noted(came: Filled, rig: Rig) -> LogbookEntry:
    said, now = came.said, now_ms()
    written = now - waited_ms(said)
    return LogbookEntry(
        asked_utc_ms=now,
        at_utc_ms=moment_said(said["at"], written_ms=written),
        by=said["by"],
        says=text_of(said["text"]),
        subject=subject_called(said["about"] or "rig", rig),
        corrects=corrected_number(said["corrects"]),
        photos=came.photos,
        **_flagged(said, written),
    )


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
