"""What every sheet has: its frame, and the calm page where there is nothing to show yet."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, wraps
from pathlib import Path
from typing import TypeVar

import jinja2
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from longsoak.core.wording import rfc3339
from longsoak.store.files import keeping_open
from longsoak.vocabulary.errors import StoreError
from longsoak_dashboards.access.sessions import visit
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.formtags import FormTags
from longsoak_dashboards.source import Heading, NotBegun, NotYet, Source, unread
from longsoak_dashboards.static import address
from longsoak_dashboards.view.alarmcount import NO_ALARMS, alarm_count
from longsoak_dashboards.view.named import names_with_figures
from longsoak_dashboards.view.sentences import day, second, when

# Address and title of each, as the title block lists them: on a phone in two rows.
SHEETS = (
    *(("/", "Section"), ("/water", "Water"), ("/traces", "Traces"), ("/alarms", "Alarms")),
    *(("/logbook", "Logbook"), ("/health", "Health"), ("/proof", "Proof")),
    ("/findings", "Findings"),
)
_ACROSS = -(-len(SHEETS) // 2)
_REFUSED = (400, 503)
HERE = Path(__file__).parent

Pages = TypeVar("Pages", bound="Framed")
Handler = Callable[[Pages, Request], Response]


@dataclass(frozen=True, slots=True)
class Nothing:
    """Why there is nothing to see, what to do, and where a big link leads; `over` is for good."""

    name: str
    says: str
    remedy: str
    back: str = "/"
    back_words: str = "To the section"
    over: bool = False


@dataclass(frozen=True, slots=True)
class Place:
    """What sheets are of: those there are, address and title each, and the title block's words.

    `whose` and `unnamed` are what stands in that block where no rig is named, and `one_rig` is
    whether they are of one: then things can be written there, and programs are answered.
    """

    sheets: tuple[tuple[str, str], ...] = SHEETS
    across: int = _ACROSS
    whose: str = "rig"
    unnamed: str = "nothing recorded"
    one_rig: bool = True


class Framed:
    """Some sheets in their frame, of whatever they are."""

    first = "/"  # the address they begin at
    place = Place()

    def frame(self) -> Heading | None:
        """What the title block of a sheet without readings shows; None where there is nothing."""
        return None

    def nothing(self, path: str, nothing: NotYet, *, status: int = 200) -> HTMLResponse:
        """What a sheet says that has nothing to show yet; the page looks again by itself."""
        begin = isinstance(nothing, NotBegun)
        words = Nothing(
            "Nothing to show yet",
            nothing.says,
            nothing.remedy,
            back="/" if begin else "",
            back_words="What to do first" if begin else "",
        )
        return self.render("nothing.html.j2", path, self.frame(), nothing=words, status=status)

    def refusal(self, path: str, nothing: Nothing, *, status: int) -> HTMLResponse:
        """What is answered where there will never be anything, and the way back."""
        words = replace(nothing, over=True)
        return self.render("nothing.html.j2", path, self.frame(), nothing=words, status=status)

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
        html = self.text(
            template,
            **self.head(heading),
            place=self.place,
            path=path,
            # A sheet shown as the answer to a form has no address of its own to fetch again.
            answer_of=path if status in _REFUSED else "",
            **shown,
        )
        return HTMLResponse(html, status_code=status)

    def text(self, template: str, **shown: object) -> str:
        """What a template makes of what is shown."""
        return _templates().get_template(template).render(**shown)

    def head(self, heading: Heading | None) -> dict[str, object]:
        """What the title block tells: the rig, when it was read, its rig file."""
        if heading is None:
            return {
                "rig": None, "read": "", "read_short": "", "version": "", "named": "",
                "alarms": NO_ALARMS, "now": rfc3339(now_ms()),
            }  # fmt: skip
        last, now = heading.last_ms, heading.now_ms
        return {
            "rig": heading.rig,
            "read": "" if last is None else second(last),
            "read_short": "" if last is None else when(last, now_ms=now),
            "version": _version_words(heading),
            "named": names_with_figures(heading.rig),
            "alarms": alarm_count(heading.alarms, heading.rig),
            "now": rfc3339(now),
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


class Sheets(Framed):
    """Some sheets of one rig. Handlers run in threads; each reads the record afresh."""

    def __init__(self, source: Source) -> None:
        self.source = source

    def frame(self) -> Heading | None:
        """What the rig's title block shows."""
        try:
            return self.source.heading(now_ms=now_ms())
        except NotYet:
            return None


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


def _version_words(heading: Heading) -> Markup:
    """The version of the rig file, and what is shown converted under another one."""
    version = heading.version
    own = Markup("version {}, {}").format(version.number, day(version.accepted_utc_ms))
    return own if heading.derivation is None else own + f"; {heading.derivation.words}"


def sheet(handler: Handler[Pages]) -> Handler[Pages]:
    """Answer with the calm page where there is nothing to show yet."""

    @wraps(handler)
    def answer(pages: Pages, request: Request) -> Response:
        try:
            with keeping_open():
                return handler(pages, request)
        except NotYet as nothing:
            return pages.nothing(request.url.path, nothing)
        except StoreError as error:
            return pages.nothing(request.url.path, unread(error))

    return answer
