"""What is answered to whatever has no sheet: calm, with a way back, and nothing of the inside."""

from collections.abc import Callable, Mapping

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from longsoak.vocabulary.errors import StoreError
from longsoak_dashboards.api.problems import is_for_programs, not_answered
from longsoak_dashboards.guards import HEADERS
from longsoak_dashboards.sheets import Framed, Nothing
from longsoak_dashboards.source import Heading, NotYet, unread

_NO_SHEET = Nothing(
    "No such sheet", "There is no such sheet.", "All that there are are listed below."
)
_ONLY_A_FORM = Nothing(
    "Nothing to see here",
    "This address only takes what a form on a sheet sends.",
    "Nothing was asked. Go to the sheet, and press its button there.",
)
_BROKEN = Nothing(
    "This sheet could not be made",
    "This sheet could not be made, through a fault of Longsoak's pages and none of the rig's.",
    "Measuring goes on: it is a process of its own. What went wrong stands in the log of "
    "`longsoak pages`; please report it with that.",
)
Handler = Callable[[Request, Exception], Response]


class Refusals(Framed):
    """Sheets for what went wrong on some pages."""

    def __init__(self, pages: Framed) -> None:
        self.place = pages.place
        self._pages = pages
        self.handlers: Mapping[int | type[Exception], Handler] = {
            HTTPException: self._refused,
            NotYet: self._not_yet,
            StoreError: self._not_yet,
            Exception: self._broken,
        }

    def frame(self) -> Heading | None:
        """The frame of the pages themselves."""
        return self._pages.frame()

    def _refused(self, request: Request, error: Exception) -> Response:
        """An address that is none, is for forms, or whose form can't be taken."""
        if is_for_programs(request):
            return not_answered(request, error)
        status = error.status_code if isinstance(error, HTTPException) else 500
        said = error.detail if isinstance(error, HTTPException) else ""
        nothing = {404: _NO_SHEET, 405: _ONLY_A_FORM}.get(
            status, Nothing("Not taken", said, "Nothing was asked or kept.")
        )
        answer = self.refusal(request.url.path, nothing, status=status)
        if isinstance(error, HTTPException):
            answer.headers.update(error.headers or {})
        return answer

    def _not_yet(self, request: Request, error: Exception) -> Response:
        """A form that came while there is nothing it could be about."""
        nothing = unread(error) if isinstance(error, StoreError) else error
        assert isinstance(nothing, NotYet)  # noqa: S101 - what it is registered for
        return self.nothing(request.url.path, nothing, status=503)

    def _broken(self, request: Request, error: Exception) -> Response:
        """A fault of ours. The server logs it with its traceback once this is answered."""
        try:
            answer = self.refusal(request.url.path, _BROKEN, status=500)
        except Exception:
            answer = self.render("nothing.html.j2", "", None, nothing=_BROKEN, status=500)
        answer.headers.update(HEADERS | {"Cache-Control": "no-store"})  # nothing adds them out here
        return answer
