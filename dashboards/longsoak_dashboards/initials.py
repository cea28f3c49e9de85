"""What a browser remembers so that nobody has to type it twice."""

from urllib.parse import quote, unquote

from starlette.requests import Request
from starlette.responses import Response

from longsoak_dashboards.access.sessions import visit

INITIALS, RESISTOR, METER = "initials", "resistor", "meter"  # cookies
_FOR_S = 30 * 86_400


def by_of(request: Request) -> str:
    """The initials this browser remembers; empty where it has none."""
    return remembered(request, INITIALS)


def remembered(request: Request, cookie: str) -> str:
    """The words this browser remembers; empty where it has none."""
    return unquote(request.cookies.get(cookie, ""))


def remember(answer: Response, cookie: str, words: str) -> Response:
    """Let the browser remember some words for a month; the answer, for whoever returns it."""
    answer.set_cookie(
        cookie,
        quote(words),
        max_age=_FOR_S,
        secure=visit().encrypted,
        httponly=True,
        samesite="strict",
    )
    return answer
