"""The sheet of what was seen over time."""

from starlette.requests import Request
from starlette.responses import Response

from longsoak.core.observations import observations
from longsoak.vocabulary.logbook import OBSERVATION
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.logasking import LogAsking
from longsoak_dashboards.sheets import sheet
from longsoak_dashboards.view.seen import seen_page


class SeenSheets(LogAsking):
    """What was seen at one rig."""

    first = "/logbook/seen"

    @sheet
    def seen(self, request: Request) -> Response:
        """What was seen at each place, look beside look."""
        asked, heading = request.query_params, self.source.heading(now_ms=now_ms())
        page = seen_page(
            observations(self.log.entries(kind=OBSERVATION)),
            of=asked.get("of", ""),
            bay=asked.get("bay", ""),
            now_ms=heading.now_ms,
            files=self.files,
        )
        return self.render("seen.html.j2", "/logbook", heading, page=page, told=None, waiting=False)
