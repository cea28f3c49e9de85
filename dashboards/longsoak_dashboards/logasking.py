"""What the sheets share that write into the logbook: an entry is asked for, and told of."""

from collections.abc import Mapping, Sequence
from functools import partial
from urllib.parse import urlencode

from starlette.responses import RedirectResponse, Response

from longsoak.core.logbook import check_against, check_among, check_entry
from longsoak.core.logbookwords import speaks_of_ms
from longsoak.store.logbook import Logbook
from longsoak.store.logbookrequests import ask_to_write
from longsoak.store.photos import name_of
from longsoak.store.requests import waiting_before
from longsoak.store.thumbnails import has_thumbnail
from longsoak.vocabulary.logbook import LogbookEntry
from longsoak.vocabulary.rig import Rig
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.forms import Form, once_number, waited_ms
from longsoak_dashboards.sheets import Sheets
from longsoak_dashboards.source import Source
from longsoak_dashboards.view import logbook as logbook_view
from longsoak_dashboards.view.alarms import Told
from longsoak_dashboards.view.logasked import corrected_number, count_in
from longsoak_dashboards.view.photos import Files


class LogAsking(Sheets):
    """Sheets of one rig that write into its logbook."""

    def __init__(self, source: Source) -> None:
        super().__init__(source)
        folder = source.record.folder
        self.log = Logbook(folder)
        self.files = Files(partial(name_of, folder), partial(has_thumbnail, folder))

    def ask_once(
        self, said: Form, fields: Sequence[str], entry: LogbookEntry, rig: Rig, *, to: str
    ) -> Response:
        """Ask that an entry be kept, and lead to the sheet `to`, which tells what became of it.

        A form that comes twice is asked once: a button may be pressed twice, and a phone that lost
        its signal does not know whether what it sent was taken, be it days ago.

        Raises
        ------
        RequestError
            It can't stand in this logbook.
        StoreError
            Nothing can be asked.
        """
        check_entry(entry)
        began_ms, last = self.log.record_began_ms(), self.log.last()
        check_against(entry, rig, began_ms=began_ms, last=last)
        check_among(entry, self.log.entries)
        number = once_number(said, fields, *entry.photos)
        asked = ask_to_write(self.source.record.folder, entry, number=number)
        # Without a fragment: a browser without scripts would go there and not look again.
        query = urlencode({"asked": asked.uuid, "since": entry.asked_utc_ms})
        return RedirectResponse(f"{to}?{query}", status_code=303)

    def told(self, asked: Mapping[str, str]) -> Told | None:
        """What became of the entry that an address tells of; None where it tells of none."""
        uuid, since = asked.get("asked", ""), count_in(asked.get("since"))
        if not uuid or since is None:
            return None
        waits = waiting_before(self.source.record.folder, uuid) is not None
        outcome = self.source.record.outcome(uuid)  # after, or it could be taken in between
        if outcome is None and not waits:
            return None  # made up, or asked of a record that lay here before
        return logbook_view.told(outcome, asked_ms=since, now_ms=now_ms())

    def written_ms(self, said: Mapping[str, str], corrects: str, kind: str, *, now: int) -> int:
        """When what a form says was, where it says no time, UTC ms.

        When the entry of its kind that it corrects was; or else when it was written.

        Raises
        ------
        RequestError
            What it corrects is no number.
        """
        number = corrected_number(corrects)
        entry = None if number is None else self.log.entry(number)
        if entry is not None and entry.kind == kind:
            return speaks_of_ms(entry)
        return now - waited_ms(said)
