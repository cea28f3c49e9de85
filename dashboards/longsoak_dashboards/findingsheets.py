"""The findings sheet: whether limits declared beforehand were kept."""

from starlette.requests import Request
from starlette.responses import Response

from longsoak.store.logbook import Logbook
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.judging import Judging
from longsoak_dashboards.sheets import Sheets, sheet
from longsoak_dashboards.source import Source
from longsoak_dashboards.view.findings import findings_page


class FindingSheets(Sheets):
    """It alone; judging is done by another process."""

    def __init__(self, source: Source, judging: Judging) -> None:
        super().__init__(source)
        self._judging = judging

    @sheet
    def findings(self, request: Request) -> Response:
        """Each limit in each phase it is for, with what its verdict rests on."""
        now = now_ms()
        heading = self.source.heading(now_ms=now)
        newest = Logbook(self.source.record.folder).last()
        known, under_way = self._judging.look((heading.version.number, newest), now_ms=now)
        page = findings_page(heading.rig, known, now_ms=now)
        return self.render("findings.html.j2", "/findings", heading, page=page, waiting=under_way)
