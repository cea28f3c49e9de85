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
from longsoak_dashboards.access.sessions import visit
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.formtags import FormTags
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

    first = "/"  # the address they begin at

    def __init__(self, source: Source) -> None:
        self.source = source

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
        html = self.text(template, **self.head(heading), sheets=SHEETS, path=path, **shown)
        return HTMLResponse(html, status_code=status)

    def text(self, template: str, **shown: object) -> str:
        """What a template makes of what is shown."""
        return _templates().get_template(template).render(**shown)

    def head(self, heading: Heading | None) -> dict[str, object]:
        """What the title block tells: the rig, when it was read, its rig file."""
        if heading is None:
            return {"rig": None, "read": "", "read_short": "", "version": ""}
        last = heading.last_ms
        return {
            "rig": heading.rig,
            "read": time_words(last) if last is not None else "nothing yet",
            "read_short": f"read {moment(last, now_ms=heading.now_ms)} UTC"
            if last is not None
            else "nothing read yet",
            "version": _version_words(heading),
        }

    def refuse(self, says: str, status: int, *, back: str = "") -> Response:
        """Why something was not done, and the way back: `back`, or the first sheet of these."""
        return self.render(
            "refused.html.j2",
            self.first,
            self.frame() if visit().role else None,  # it names the rig
            says=says,
            back=back or self.first,
            waiting=False,
            status=status,
        )


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
        extensions=[FormTags],
    )
    found.globals |= {"static": address, "visit": visit}
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
