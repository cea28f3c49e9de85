"""What is told where something can't be answered: a problem document (RFC 9457), one sentence."""

from collections.abc import Callable, Mapping
from functools import wraps
from http import HTTPStatus
from typing import TypeVar

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from longsoak.store.files import keeping_open
from longsoak.vocabulary.errors import StoreError
from longsoak_dashboards.source import NotYet, unread

ROOT = "/api/1/"
MEDIA = "application/problem+json"
_SOON_S = 5

Api = TypeVar("Api")


class Problem(Exception):  # noqa: N818 - the name the standard gives it
    """A request that can't be answered: with which status, and why."""

    def __init__(self, status: int, says: str) -> None:
        super().__init__(says)
        self.status = status
        self.says = says


def problem(status: int, says: str, headers: Mapping[str, str] | None = None) -> Response:
    """The document. Without a type of its own its title is that of the status (RFC 9457, 4.2.1)."""
    title = HTTPStatus(status).phrase
    content = {"type": "about:blank", "title": title, "status": status, "detail": says}
    return JSONResponse(content, status, media_type=MEDIA, headers=headers)


def answering(handler: Callable[[Api, Request], Response]) -> Callable[[Api, Request], Response]:
    """Tell what goes wrong in a handler as a problem."""

    @wraps(handler)
    def answer(api: Api, request: Request) -> Response:
        try:
            with keeping_open():
                return handler(api, request)
        except Problem as wrong:
            if wrong.status == HTTPStatus.SERVICE_UNAVAILABLE:
                return problem(wrong.status, wrong.says, {"Retry-After": str(_SOON_S)})
            return problem(wrong.status, wrong.says)
        except (NotYet, StoreError) as error:
            nothing = error if isinstance(error, NotYet) else unread(error)
            return problem(503, f"{nothing.says} {nothing.remedy}")

    return answer


def is_for_programs(request: Request) -> bool:
    """Whether an address belongs to this interface."""
    return request.url.path.startswith(ROOT.rstrip("/"))


def not_answered(request: Request, error: Exception) -> Response:
    """What is told where nothing is, or to whoever wants to write what can only be read."""
    status = error.status_code if isinstance(error, HTTPException) else 500
    headers = (error.headers or {}) if isinstance(error, HTTPException) else {}
    path, method = request.url.path[:200], request.method[:20]
    says = {
        404: f"There is nothing at {path}. {ROOT} says what there is.",
        405: f"{path} can only be read, by GET; it was asked by {method}.",
    }
    return problem(status, says.get(status, f"{path} was not answered."), headers)
