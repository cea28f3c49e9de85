"""What every sheet has: its frame, and the calm page where there is nothing to show yet."""

from collections.abc import Callable
from functools import cache, wraps
from pathlib import Path
from typing import TypeVar

import jinja2
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from longsoak.core.wording import day_words, time_words
from longsoak.vocabulary.errors import StoreError
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.source import Heading, NotYet, Source, unread
from longsoak_dashboards.static import address
from longsoak_dashboards.view.sentences import moment

SHEETS = (
    *(("/", "Section"), ("/water", "Water"), ("/traces", "Traces"), ("/alarms", "Alarms")),
    *(("/health", "Health"), ("/proof", "Proof"), ("/logbook", "Logbook")),
)
HERE = Path(__file__).parent

Pages = TypeVar("Pages", bound="Sheets")
Handler = Callable[[Pages, Request], Response]


class Sheets:
    """Some sheets of one rig. Handlers run in threads; each reads the record afresh."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self._templates = _templates()

    def frame(self) -> Heading | None:
        """What the title block of a sheet without readings shows; None where there is nothing."""
        try:
            return self.source.heading(now_ms=now_ms())
        except NotYet:
            return None

    def render(
        self,
        template: str,
        path: str,
        heading: Heading | None,
        *,
        status: int = 200,
        **shown: object,
    ) -> HTMLResponse:
        """One sheet as HTML."""
        head: dict[str, object] = {"rig": None, "read": "", "read_short": "", "version": ""}
        if heading is not None:
            last = heading.last_ms
            head = {
                "rig": heading.rig,
                "read": time_words(last) if last is not None else "nothing yet",
                "read_short": f"read {moment(last, now_ms=heading.now_ms)} UTC"
                if last is not None
                else "nothing read yet",
                "version": _version_words(heading),
            }
        html = self._templates.get_template(template).render(
            **head, sheets=SHEETS, path=path, **shown
        )
        return HTMLResponse(html, status_code=status)


@cache
def _templates() -> jinja2.Environment:
    """The templates of all sheets, each compiled once."""
    found = jinja2.Environment(
        loader=jinja2.FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,  # or each sheet would ask the disk for the age of each of its parts
    )
    found.globals["static"] = address
    return found


def _version_words(heading: Heading) -> str:
    """The version of the rig file, and what is shown converted under another one."""
    own = f"version {heading.version.number}, {day_words(heading.version.accepted_utc_ms)}"
    return own if heading.derivation is None else f"{own}; {heading.derivation.words}"


def sheet(handler: Handler[Pages]) -> Handler[Pages]:
    """Answer with the calm page where there is nothing to show yet."""

    @wraps(handler)
    def answer(pages: Pages, request: Request) -> Response:
        try:
            return handler(pages, request)
        except NotYet as nothing:
            return pages.render("nothing.html.j2", request.url.path, None, nothing=nothing)
        except StoreError as error:
            return pages.render("nothing.html.j2", request.url.path, None, nothing=unread(error))

    return answer
