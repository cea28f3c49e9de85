"""The alarms sheet: read by everybody, answered by whoever comes."""

from collections import OrderedDict
from collections.abc import Callable
from functools import partial
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from longsoak.core.moments import span_of
from longsoak.store import alarmrequests, requests
from longsoak.store.alarmrequests import Shelving
from longsoak.store.noticerecord import NoticeRecord
from longsoak.vocabulary.errors import RequestError, StoreError
from longsoak.vocabulary.notices import TRIAL
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.forms import Form, form
from longsoak_dashboards.initials import INITIALS, by_of, remember
from longsoak_dashboards.sheets import Sheets, sheet
from longsoak_dashboards.source import NotYet, Source
from longsoak_dashboards.view import alarms as alarm_view
from longsoak_dashboards.view.sentences import second

_REMEMBERED = 200  # requests whose asker and time are told until they are taken
_DAY_MS = 86_400_000

_EMPTY = {"key": "", "by": "", "why": "", "for": ""}
_Ask = Callable[[str, str], requests.Request]  # of an alarm by its key, by whom


class AlarmSheets(Sheets):
    """The alarms of one rig."""

    def __init__(self, source: Source) -> None:
        super().__init__(source)
        self._asked: OrderedDict[str, requests.Request] = OrderedDict()

    @sheet
    def alarms(self, request: Request) -> Response:
        """The alarms sheet."""
        told = None
        if asked := request.query_params.get("asked"):
            told = self._told(asked, request.query_params.get("key", ""))
        return self._sheet({"by": by_of(request)}, told=told)

    @form
    def acknowledge(self, request: Request, said: Form) -> Response:
        """Ask the measuring process to acknowledge an alarm."""
        return self._ask(said, partial(self._plainly, requests.ACKNOWLEDGE))

    @form
    def reset(self, request: Request, said: Form) -> Response:
        """Ask for an alarm that is held to be let go of."""
        return self._ask(said, partial(self._plainly, alarmrequests.RESET))

    @form
    def put_back(self, request: Request, said: Form) -> Response:
        """Ask for a shelving to end, or an alarm to be put back into service."""
        return self._ask(said, partial(self._plainly, alarmrequests.PUT_BACK))

    @form
    def shelve(self, request: Request, said: Form) -> Response:
        """Ask for an alarm to be shelved for a while, or taken out of service."""

        def ask(key: str, by: str) -> requests.Request:
            span = said.get("for", "")
            seconds = None if span == alarm_view.OUT_OF_SERVICE else span_of(span)
            wanted = Shelving(seconds, said.get("why", ""))
            folder = self.source.record.folder
            return alarmrequests.ask_to_hide(folder, key, wanted, by=by, utc_ms=now_ms())

        return self._ask(said, ask)

    def _plainly(self, kind: str, key: str, by: str) -> requests.Request:
        folder = self.source.record.folder
        return requests.ask(folder, kind=kind, subject=key, by=by, utc_ms=now_ms())

    def _ask(self, said: Form, ask: _Ask) -> Response:
        key, by = said.get("key", ""), said.get("by", "")
        try:
            rig, _ = self.source.rig()
            known = (
                (key == TRIAL and rig.trial is not None)
                or key in self.source.record.alarms()
                or any(plan.key == key for plan in rig.alarms)
            )
        except (NotYet, StoreError) as error:
            return PlainTextResponse(f"{error}\n", status_code=503)
        if not known:
            says = f"There is no alarm called {key!r}; nothing was asked."
            return self._refuse(said, says, status=400)
        try:
            request = ask(key, by)
        except RequestError as error:
            return self._refuse(said, str(error), status=400)
        except StoreError as error:
            return self._refuse(said, str(error), status=503)
        self._asked[request.uuid] = request
        while len(self._asked) > _REMEMBERED:
            self._asked.popitem(last=False)
        query = urlencode({"asked": request.uuid, "key": key})
        answer = RedirectResponse(f"/alarms?{query}#told", status_code=303)
        return remember(answer, INITIALS, request.by)

    def _refuse(self, said: Form, says: str, *, status: int) -> Response:
        told = alarm_view.Told(says, wants_a_look=True, waiting=False)
        return self._sheet(said, told=told, status=status)

    def _sheet(self, said: Form, *, told: alarm_view.Told | None, status: int = 200) -> Response:
        """The sheet; where something of it was refused, `said` is what that form held."""
        snapshot = self.source.snapshot(now_ms=now_ms())
        record = self.source.record
        trial = NoticeRecord(record.folder).trial()
        waits = None if trial is None else trial.waiting_ms
        changes = record.alarm_changes_since(snapshot.now_ms - alarm_view.LOG_DAYS * _DAY_MS)
        if alarm_view.lacks_a_beginning(snapshot, changes):
            changes = record.alarm_changes_since(0)
        return self.render(
            "alarms.html.j2",
            "/alarms",
            snapshot,
            page=alarm_view.alarms_page(snapshot, changes),
            trial=None if waits is None else second(waits),
            told=told,
            said={**_EMPTY, **said},
            refused=status != 200,
            status=status,
        )

    def _told(self, uuid: str, key: str) -> alarm_view.Told | None:
        outcome = self.source.record.outcome(uuid)
        request = self._asked.get(uuid)
        if outcome is None and request is None:
            return None  # asked of an earlier life of this process, or made up
        rig, _ = self.source.rig()
        return alarm_view.told(
            outcome,
            by=request.by if request else "",
            title=alarm_view.title_of(rig, request.subject if request else key),
            asked_ms=request.asked_utc_ms if request else None,
            now_ms=now_ms(),
        )
