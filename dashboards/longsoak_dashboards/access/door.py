"""The door of the pages: who comes in, to read or to change, and how often."""

import base64
import binascii
from collections import Counter
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from math import ceil
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from longsoak.vocabulary.errors import StoreError
from longsoak_dashboards.access.attempts import TooManyError
from longsoak_dashboards.access.limits import Limit, neighbourhood
from longsoak_dashboards.access.passwords import Passwords, Role
from longsoak_dashboards.access.rights import LOG_IN, Access
from longsoak_dashboards.access.sessions import RENEWED_MS, Session, Visit, visiting
from longsoak_dashboards.clock import now_ms, running

LOG_OUT, WHO = "/logout", "/session.json"
SAFE = ("GET", "HEAD")
# What a login sheet needs, and tells nothing of the rig.
_FOR_ALL = (LOG_IN, WHO, "/favicon.ico")
_STATIC = "/static/"
# What one look costs, where it is not 1: what reads months, or many readings at once.
_COSTS = {
    "/traces": 4.0,
    "/probe/": 3.0,
    "/proof": 2.0,
    "/water": 2.0,
    "/health": 2.0,
    "/findings": 2.0,
}
_REMOTE = (b"x-forwarded-for", b"x-forwarded-proto", b"x-real-ip", b"forwarded")

Refuse = Callable[[str, int], Response]


@dataclass(frozen=True, slots=True)
class Streams:
    """How many streams of one kind may be open: by one who reads, and in all."""

    each: int
    most: int


_STREAM_LATER = 30.0  # s
_STREAMS = {"/events": Streams(32, 112), "/water/live": Streams(3, 8)}


class Door:
    """Lets in who may, and lets the rest know why not.

    Parameters
    ----------
    app : callable
        What is behind the door.
    access : Access
        Who may do what.
    refuse : callable
        Makes the sheet that says why something was not done, from a sentence and a status.
    """

    def __init__(self, app: ASGIApp, *, access: Access, refuse: Refuse) -> None:
        self._app = app
        self._access = access
        self._refuse = refuse
        self._reads = Limit(burst=400, a_second=20)
        self._writes = Limit(burst=60, a_second=1)
        self._all_writes = Limit(burst=300, a_second=5)
        self._open: Counter[tuple[str, str]] = Counter()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        try:
            await self._answer(scope, receive, send)
        except ClientDisconnect:
            return  # whoever asked is gone; there is nothing to be told in a log

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        request = Request(scope, receive)
        try:
            passwords = self._access.passwords()
        except StoreError as error:
            await PlainTextResponse(f"{error}\n", 503)(scope, receive, send)
            return
        session = self._access.session(request, passwords)
        visit = self._visit_of(request, session, passwords)
        if (wait := self._too_often(request, visit)) > 0:
            await _later(wait)(scope, receive, send)
            return
        try:
            if passwords is not None and visit.role is Role.NOBODY:
                visit = await self._by_basic(request, visit, passwords)
        except TooManyError as error:
            await _later(error.wait)(scope, receive, send)
            return
        with visiting(visit):
            if (refusal := await self._kept_out(request, visit)) is not None:
                await refusal(scope, receive, send)
                return
            with self._streaming(request.url.path, who_asks(request, visit)) as room:
                if not room:
                    await _later(_STREAM_LATER)(scope, receive, send)
                    return
                sending = self._with_session(request, visit, session, passwords, send)
                await self._app(scope, receive, sending)

    def _visit_of(
        self, request: Request, session: Session | None, passwords: Passwords | None
    ) -> Visit:
        role = Role.NOBODY if session is None else session.role
        if passwords is None:
            role = Role.KEEPER if self._access.local else Role.NOBODY
        elif role is Role.NOBODY and self._access.anybody_reads:
            role = Role.VISITOR
        whose = session or Session.opened(Role.NOBODY, "", now_ms=now_ms())
        encrypted = request.url.scheme == "https"
        return Visit(
            role,
            whose,
            whose.key(self._access.secret(passwords)),
            asks=passwords is not None,
            encrypted=encrypted,
            readable=not (encrypted or self._access.local),
        )

    def _too_often(self, request: Request, visit: Visit) -> float:
        """How long one has to wait, s."""
        who, now = who_asks(request, visit), running()
        if request.method in SAFE:
            return self._reads.wait(who, now=now, cost=_cost(request.url.path))
        return self._writes.wait(who, now=now) or self._all_writes.wait(now=now)

    async def _by_basic(self, request: Request, visit: Visit, passwords: Passwords) -> Visit:
        """The visit of a program that sends a password along: it may read, and no more.

        A browser repeats such a password by itself, also for a form of another site.
        """
        if request.method not in SAFE or (password := _basic(request)) is None:
            return visit
        who = who_asks(request, visit)
        role = await self._access.attempts.role_of_program(password, passwords, who=who)
        return replace(visit, role=min(role, Role.VISITOR))

    async def _kept_out(self, request: Request, visit: Visit) -> Response | None:
        """Why a request is not passed on; None if it is."""
        path = request.url.path
        if not visit.asks:
            return self._without_passwords(request)
        if path in _FOR_ALL or path.startswith(_STATIC):
            return None
        if request.method in SAFE:
            return None if visit.role >= Role.VISITOR else _ask_for_password(request)
        if visit.may_change or path == LOG_OUT:
            return None
        return await self._refused(
            request,
            "Nothing was changed: whoever changes something here logs in first, with the password "
            "for changes.",
            403,
        )

    def _without_passwords(self, request: Request) -> Response | None:
        forwarded = any(name in _REMOTE for name, _ in request.scope["headers"])
        if self._access.local and not forwarded:
            return None
        return PlainTextResponse(
            "These pages have no password, so only this machine itself may use them. Set one with "
            "`longsoak password`.\n",
            status_code=403,
        )

    async def _refused(self, request: Request, says: str, status: int) -> Response:
        if "text/html" in request.headers.get("accept", ""):
            return await run_in_threadpool(self._refuse, says, status)
        return PlainTextResponse(f"{says}\n", status)

    @contextmanager
    def _streaming(self, path: str, who: str) -> Iterator[bool]:
        """Count a stream while it is open; false where there are too many."""
        limit = _STREAMS.get(path)
        if limit is None:
            yield True
            return
        of_all = sum(count for (open_, _), count in self._open.items() if open_ == path)
        if of_all >= limit.most or self._open[path, who] >= limit.each:
            yield False
            return
        self._open[path, who] += 1
        try:
            yield True
        finally:
            self._open[path, who] -= 1
            if not self._open[path, who]:
                del self._open[path, who]

    def _with_session(
        self,
        request: Request,
        visit: Visit,
        session: Session | None,
        passwords: Passwords | None,
        send: Send,
    ) -> Callable[[Message], Awaitable[None]]:
        """Send an answer, with a session for whoever has none, or one that is getting old.

        A stream ends once whoever reads it may not any more.
        """
        streams = request.url.path in _STREAMS
        by_cookie = session is not None and session.role is not Role.NOBODY

        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                own = self._access.cookie(encrypted=visit.encrypted)
                given = any(own in words for words in headers.getlist("set-cookie"))
                html = headers.get("content-type", "").startswith("text/html")
                old = by_cookie and now_ms() - visit.session.issued_ms > RENEWED_MS
                if not given and (old or (session is None and html)):
                    self._access.give(headers, visit, visit.session, passwords)
            elif streams and by_cookie and not self._still(visit.session):
                raise ClientDisconnect
            await send(message)

        return sending

    def _still(self, session: Session) -> bool:
        try:
            passwords = self._access.passwords()
        except StoreError:
            return False
        return session.holds(passwords, now_ms=now_ms())


def who_asks(request: Request, visit: Visit) -> str:
    """Whose requests are counted together: a session that logged in, or an address."""
    if visit.logged_in:
        return f"session {visit.session.id}"
    return neighbourhood(request.client.host if request.client else "")


def _cost(path: str) -> float:
    if path.startswith(_STATIC):
        return 0.25
    return next((cost for start, cost in _COSTS.items() if path.startswith(start)), 1.0)


def _basic(request: Request) -> str | None:
    """The password of a program (RFC 7617, from memory); its user's name may be any."""
    kind, _, said = request.headers.get("authorization", "").partition(" ")
    if kind.lower() != "basic":
        return None
    try:
        _, colon, password = base64.b64decode(said, validate=True).decode().partition(":")
    except (binascii.Error, ValueError):
        return None
    return password if colon else None


def _ask_for_password(request: Request) -> Response:
    """Send a person to the login sheet, and ask a program for its password.

    A script of our own sheets is not asked: its browser would ask in a window of its own.
    """
    headers = request.headers
    if headers.get("authorization"):
        return _challenge("This password is not right.\n")
    if "text/html" in headers.get("accept", ""):
        query = f"?{request.url.query}" if request.url.query else ""
        to = quote(f"{request.url.path}{query}", safe="/")
        return RedirectResponse(f"{LOG_IN}?to={to}", status_code=303)
    if headers.get("sec-fetch-mode") or headers.get("cookie"):
        return PlainTextResponse("Log in first.\n", status_code=403)
    return _challenge("These pages ask for a password; a program sends it with HTTP Basic.\n")


def _challenge(says: str) -> Response:
    headers = {"WWW-Authenticate": 'Basic realm="Longsoak", charset="UTF-8"'}
    return PlainTextResponse(says, status_code=401, headers=headers)


def _later(wait: float) -> Response:
    seconds = max(1, ceil(wait))
    return PlainTextResponse(
        f"Too much was asked at once. Try again in {seconds} s.\n",
        status_code=429,
        headers={"Retry-After": str(seconds)},
    )
