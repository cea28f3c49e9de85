"""Forms as they come in: from our own pages, small, and handled in a thread."""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import wraps
from hashlib import sha256
from math import isfinite
from typing import TypeVar
from urllib.parse import parse_qs

import anyio
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

from longsoak_dashboards.access.sessions import Visit, visit
from longsoak_dashboards.guards import from_elsewhere, is_a_browser
from longsoak_dashboards.sheets import Framed

LARGEST_FORM = 16_384  # bytes
TOKEN = "token"  # noqa: S105 - a field's name
WAITED = "waited"  # s, of a form that waited in a browser
_MOST_FIELDS = 200
_LONGEST_WAIT = 30 * 86_400.0  # s
_UPLOADS = 2  # that are taken at a time: each is held on the disk until it is kept

Form = Mapping[str, str]
Pages = TypeVar("Pages", bound=Framed)


def form(
    handler: Callable[[Pages, Request, Form], Response],
) -> Callable[[Pages, Request], Awaitable[Response]]:
    """Give a handler the fields of the form it answers, or refuse the form for it.

    Of a field that came more than once, the last one counts; space at the ends is dropped.
    """

    @wraps(handler)
    async def answer(pages: Pages, request: Request) -> Response:
        said = await read_form(pages, request)
        if isinstance(said, Response):
            return said
        return await run_in_threadpool(handler, pages, request, said)

    return answer


async def read_form(pages: Framed, request: Request) -> Form | Response:
    """The fields of a small form from a page of our own, or what to answer in its place."""
    if refusal := from_another_site(request):
        return refusal
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > LARGEST_FORM:
            raise HTTPException(413, f"A form of up to {LARGEST_FORM // 1024} kB is taken.")
    try:
        said = parse_qs(body.decode("utf-8", errors="replace"), max_num_fields=_MOST_FIELDS)
    except ValueError:
        raise HTTPException(413, f"A form of up to {_MOST_FIELDS} fields is taken.") from None
    fields = {name: values[-1].strip() for name, values in said.items()}
    return await _stale(pages, request, fields) or fields


@dataclass(frozen=True, slots=True)
class Upload:
    """A form with files: its fields, the last of each, and all that came of them."""

    said: Form
    came: FormData

    def all_of(self, name: str) -> list[str]:
        """All values of a field."""
        return [value for value in self.came.getlist(name) if isinstance(value, str)]

    def files(self, name: str) -> list[UploadFile]:
        """The files of a field; one that was left empty comes as a file without a name."""
        found = self.came.getlist(name)
        return [file for file in found if isinstance(file, UploadFile) and file.filename]


def upload(
    *, largest: int, files: int, fields: int, too_large: str, unreadable: str
) -> Callable[
    [Callable[[Pages, Request, Upload], Response]],
    Callable[[Pages, Request], Awaitable[Response]],
]:
    """Give a handler a form with files, or refuse the form for it.

    Parameters
    ----------
    largest : int
        Bytes of all of it.
    files, fields : int
        How many it may hold.
    too_large, unreadable : str
        What is said where it holds more, or is no such form.
    """

    def decorate(
        handler: Callable[[Pages, Request, Upload], Response],
    ) -> Callable[[Pages, Request], Awaitable[Response]]:
        @wraps(handler)
        async def answer(pages: Pages, request: Request) -> Response:
            if refusal := from_another_site(request):
                return refusal
            length = request.headers.get("content-length", "")
            if not length.isdecimal() or int(length) > largest:
                return await run_in_threadpool(pages.refuse, too_large, 413)
            async with _uploading():
                try:
                    came = await request.form(max_files=files, max_fields=fields)
                # As the first within an application; the last where an encoding is made up.
                except (HTTPException, MultiPartException, LookupError, UnicodeError):
                    return await run_in_threadpool(pages.refuse, unreadable, 400)
                try:
                    texts = [(n, v) for n, v in came.multi_items() if isinstance(v, str)]
                    said = {name: value.strip() for name, value in texts}
                    if refusal := await _stale(pages, request, said):
                        return refusal
                    return await run_in_threadpool(handler, pages, request, Upload(said, came))
                finally:
                    await came.close()

        return answer

    return decorate


_limiter: list[anyio.CapacityLimiter] = []


def _uploading() -> anyio.CapacityLimiter:
    """Lets in so many uploads; made once there is a loop."""
    if not _limiter:
        _limiter.append(anyio.CapacityLimiter(_UPLOADS))
    return _limiter[0]


def from_another_site(request: Request) -> Response | None:
    """What to answer to a form that was sent from another site's page; None to one of ours."""
    if not from_elsewhere(request.headers):
        return None
    return PlainTextResponse(
        "This form was sent from a page of another site, so nothing was asked. "
        "Fill it in on the sheet itself.\n",
        status_code=403,
    )


async def _stale(pages: Framed, request: Request, said: Form) -> Response | None:
    """What to answer to a form that was not made for this session; None to one that was."""
    if brings_token(request, said, visit()):
        return None
    says = (
        "This form was opened under another session, before somebody logged in or out or the pages "
        "were started again. Nothing was kept. Open the sheet again and send it from there."
    )
    return await run_in_threadpool(pages.refuse, says, 403)


def brings_token(request: Request, said: Form, who: Visit) -> bool:
    """Whether a form may count as sent from a sheet of this session.

    Where there are no passwords, a program that is no browser needs no token: nobody can lure it.
    """
    if not who.asks and not is_a_browser(request.headers):
        return True
    return who.brought(said.get(TOKEN, ""))


def waited_ms(said: Form) -> int:
    """How long what was said waited in a browser for a signal, ms; counted by its own clock."""
    try:
        seconds = float(said.get(WAITED, ""))
    except ValueError:
        return 0
    return round(1000 * seconds) if isfinite(seconds) and 0 <= seconds <= _LONGEST_WAIT else 0


def once_number(said: Form, fields: Sequence[str], *more: str) -> str | None:
    """What tells a form from every other one, so that one that comes twice is asked once.

    None where the form has nothing to tell it by.

    Parameters
    ----------
    said : mapping
        What it holds; ``once`` is drawn by lot for each form that is shown.
    fields : sequence of str
        Those of it that count.
    more : str
        What else belongs to it.
    """
    if not said.get("once"):
        return None
    whole = (*(said.get(name, "") for name in fields), *more)
    return sha256("\0".join(whole).encode()).hexdigest()[:32]
