"""Forms as they come in: from our own pages, small, and handled in a thread."""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from functools import wraps
from hashlib import sha256
from math import isfinite
from typing import TypeVar
from urllib.parse import parse_qs

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

from longsoak_dashboards.guards import from_elsewhere

LARGEST_FORM = 16_384  # bytes
WAITED = "waited"  # s, of a form that waited in a browser
_LONGEST_WAIT = 30 * 86_400.0  # s

Form = Mapping[str, str]
Pages = TypeVar("Pages")


def form(
    handler: Callable[[Pages, Request, Form], Response],
) -> Callable[[Pages, Request], Awaitable[Response]]:
    """Give a handler the fields of the form it answers, or refuse the form for it.

    Of a field that came more than once, the last one counts; space at the ends is dropped.
    """

    @wraps(handler)
    async def answer(pages: Pages, request: Request) -> Response:
        if refusal := from_another_site(request):
            return refusal
        body = b""
        async for chunk in request.stream():
            body += chunk
            if len(body) > LARGEST_FORM:
                raise HTTPException(413, f"A form of up to {LARGEST_FORM // 1024} kB is taken.")
        said = parse_qs(body.decode("utf-8", errors="replace"))
        fields = {name: values[-1].strip() for name, values in said.items()}
        return await run_in_threadpool(handler, pages, request, fields)

    return answer


def from_another_site(request: Request) -> Response | None:
    """What to answer to a form that was sent from another site's page; None to one of ours."""
    if not from_elsewhere(request.headers):
        return None
    return PlainTextResponse(
        "This form was sent from a page of another site, so nothing was asked. "
        "Fill it in on the sheet itself.\n",
        status_code=403,
    )


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
