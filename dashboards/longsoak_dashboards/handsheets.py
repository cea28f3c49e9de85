"""Reading by hand: the section to tap on, and a form that never shows what the rig itself reads."""

import json
import secrets
from collections.abc import Mapping, Sequence

from starlette.requests import Request
from starlette.responses import Response

from longsoak.core.handplaces import HandReading, hand_readings, next_round, told_after
from longsoak.core.handreadings import place_of
from longsoak.core.metercheck import meter_checks, rounds_over
from longsoak.vocabulary.errors import RequestError, StoreError
from longsoak.vocabulary.logbook import HAND, METER_CHECK
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.forms import WAITED, Form, Upload, form, waited_ms
from longsoak_dashboards.initials import INITIALS, METER, by_of, remember, remembered
from longsoak_dashboards.logasking import LogAsking
from longsoak_dashboards.photoforms import filled, photo_form
from longsoak_dashboards.sheets import sheet
from longsoak_dashboards.source import NotYet
from longsoak_dashboards.view.alarms import Told
from longsoak_dashboards.view.hand import hand_page, tapped
from longsoak_dashboards.view.handchecks import CHECK_FIELDS, check_entry_of
from longsoak_dashboards.view.handentries import FIELDS, KEPT, SETTING, hand_entry, said_again
from longsoak_dashboards.view.logasked import count_in


class HandSheets(LogAsking):
    """Readings by hand at one rig."""

    first = "/hand"

    @sheet
    def hand(self, request: Request) -> Response:
        """The section of each bay, and the form for one reading."""
        asked = request.query_params
        rig, _ = self.source.rig()
        said = {name: asked[name] for name in KEPT if name in asked}
        said |= tapped(asked, rig)
        known = self._known()
        corrects = count_in(asked.get("corrects"))
        was = None if corrects is None else self.log.entry(corrects)
        if was is not None and was.kind == HAND:
            said = {**said_again(was), **said, "corrects": str(corrects)}
        meter = self._meter(request)
        checks = meter_checks(self.log.entries(kind=METER_CHECK))
        # A round that goes on is told by what is kept, and so is one that a check ended.
        if "asked" not in asked or meter.get("round") in rounds_over(known, checks):
            meter.pop("round", None)
        told = self.told(asked)
        return self._sheet(
            {"by": by_of(request), **meter, **said}, known, told=self._more(told, asked)
        )

    @photo_form
    def write(self, request: Request, sent: Upload) -> Response:
        """Ask that a reading be kept; one that can't be is shown again with why."""
        came = filled(sent, FIELDS, self.source.record.folder)
        said, now = came.said, now_ms()
        try:
            rig, _ = self.source.rig()
            if came.wrong is not None:
                raise came.wrong
            written = self.written_ms(said, said["corrects"], HAND, now=now)
            entry = hand_entry(said, rig, came.photos, written_ms=written, now_ms=now)
            answer = self.ask_once(said, FIELDS, entry, rig, to="/hand")
        except NotYet as nothing:
            return self.refuse(f"{nothing.says} Nothing was kept.", 503)
        except (RequestError, StoreError) as error:
            status = 400 if isinstance(error, RequestError) else 503
            return self._again(said, came.photos, str(error), status=status)
        answer = remember(answer, INITIALS, said["by"])
        setting = {name: said[name] for name in SETTING}
        return remember(answer, METER, json.dumps({**setting, "bay": entry.subject.name}))

    @form
    def check(self, request: Request, came: Form) -> Response:
        """Ask that a check of the meter on a test block be kept."""
        said, now = {name: came.get(name, "") for name in (*CHECK_FIELDS, WAITED)}, now_ms()
        try:
            rig, _ = self.source.rig()
            entry = check_entry_of(said, written_ms=now - waited_ms(said), now_ms=now)
            answer = self.ask_once(said, CHECK_FIELDS, entry, rig, to="/hand")
        except NotYet as nothing:
            return self.refuse(f"{nothing.says} Nothing was kept.", 503)
        except (RequestError, StoreError) as error:
            status = 400 if isinstance(error, RequestError) else 503
            return self._again({**self._meter(request), **said}, (), str(error), status=status)
        answer = remember(answer, INITIALS, said["by"])
        meter = {name: said[name] for name in ("round", "meter", "unit")}
        return remember(answer, METER, json.dumps({**self._meter(request), **meter}))

    def _known(self) -> list[HandReading]:
        return hand_readings(self.log.entries())

    def _meter(self, request: Request) -> dict[str, str]:
        """The meter and how it is set, and the bay, as this browser remembers them."""
        try:
            found = json.loads(remembered(request, METER) or "{}")
        except ValueError:
            return {}
        known = (*SETTING, "bay")
        return (
            {n: str(v) for n, v in found.items() if n in known} if isinstance(found, dict) else {}
        )

    def _more(self, told: Told | None, asked: Mapping[str, str]) -> Told | None:
        """What became of a reading, with what may be told of it once it is kept."""
        kept = self.log.of_request(asked.get("asked", "")) if told is not None else None
        if told is None or kept is None or kept.kind != HAND:
            return told
        rig, _ = self.source.rig()
        others = [each for each in self._known() if each.number != kept.number]
        place, name = place_of(kept.content), str(kept.content["round"])
        after = told_after(place, kept.subject.name, name, rig, others)
        return Told(" ".join([told.words, *after]), told.wants_a_look, told.waiting)

    def _again(self, said: Form, photos: Sequence[str], wrong: str, *, status: int) -> Response:
        try:
            shown = Told(wrong, wants_a_look=True, waiting=False)
            return self._sheet(said, self._known(), photos, told=shown, status=status)
        except (NotYet, StoreError) as error:
            return self.refuse(str(error), 503)

    def _sheet(
        self,
        said: Mapping[str, str],
        known: Sequence[HandReading],
        photos: Sequence[str] = (),
        *,
        told: Told | None,
        status: int = 200,
    ) -> Response:
        now = now_ms()
        checks = meter_checks(self.log.entries(kind=METER_CHECK))
        over = rounds_over(known, checks)
        heading = self.source.heading(now_ms=now)
        page = hand_page(
            heading.rig,
            {"round": next_round(known, now_ms=now, over=over), **said},
            known,
            checks,
            photos,
            once=secrets.token_hex(8),
            now_ms=now,
            files=self.files,
        )
        return self.render(
            "hand.html.j2",
            "/logbook",
            heading,
            page=page,
            told=told,
            waiting=told is not None and told.waiting,
            status=status,
        )
