"""Forms as they come in: from our own pages, small, and handled in a thread."""

from collections.abc import Awaitable, Callable, Mapping
from functools import wraps
from typing import TypeVar
from urllib.parse import parse_qs

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

from longsoak_dashboards.guards import from_elsewhere

LARGEST_FORM = 16_384  # bytes

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
                return PlainTextResponse("The form is too large.\n", status_code=413)
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
