"""What keeps other sites out: headers, the names answered to, where a form was sent from."""

import hashlib
import socket
from base64 import b64encode
from collections.abc import Callable
from functools import cache
from ipaddress import ip_address
from urllib.parse import urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from longsoak_dashboards.stranger import STYLE, stranger_page

HEADERS = {
    "Content-Security-Policy": "default-src 'self'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'; object-src 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), display-capture=(), geolocation=(), microphone=(), "
    "payment=(), usb=()",
}
# A month: whoever gives TLS up again is let in again then.
_ONLY_TLS = ("Strict-Transport-Security", "max-age=2592000")


_POLICY = "Content-Security-Policy"


def with_style(sheet: str) -> dict[str, str]:
    """The policy for a document that carries its own style sheet: that one, by its digest."""
    digest = b64encode(hashlib.sha256(sheet.encode()).digest()).decode()
    return {_POLICY: f"{HEADERS[_POLICY]}; style-src 'sha256-{digest}'"}


IN_RIG = (
    "write the address of these pages as `page` in [rig] of the rig file, such as "
    '"http://shop-pi.local:8460/", and start `longsoak run` again.'
)


class SecureHeaders:
    """Adds `HEADERS` to every answer, and keeps pages with readings out of caches.

    A policy that an answer has already stays.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, and its answer back with the headers."""

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                if scope.get("scheme") == "https":
                    headers.setdefault(*_ONLY_TLS)
                static = str(scope.get("path", "")).startswith("/static/")
                headers.setdefault("Cache-Control", "no-cache" if static else "no-store")
            await send(message)

        await self._app(scope, receive, with_headers if scope["type"] == "http" else send)


class KnownNames:
    """Answers only to names that are this machine's.

    Whoever owns a name can let it lead to any address, this machine's too. A page under that name
    would then be of the same site as ours to a browser, could read the sheets and send the form.

    Parameters
    ----------
    host : str
        What the pages were told to listen on; answered to if it is a name.
    declared : callable
        The web address that the rig file says the pages have, or None; asked, in a thread, only
        about names that are not known otherwise.
    remedy : str
        How to let them answer to another name.
    """

    def __init__(
        self, app: ASGIApp, *, host: str, declared: Callable[[], str | None], remedy: str = IN_RIG
    ) -> None:
        self._app = app
        self._remedy = remedy
        self._host = _bare(host)
        self._declared = declared

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or refuse it with the way to have it answered."""
        if scope["type"] == "http":
            asked = Headers(scope=scope).get("host")
            # A program may leave the name out; no browser does.
            if asked is not None and not await self._knows(asked):
                await _refusal(asked, self._remedy, Headers(scope=scope))(scope, receive, send)
                return
        await self._app(scope, receive, send)

    async def _knows(self, asked: str) -> bool:
        name = _name_in(asked)
        if name is None:
            return False
        if _is_address(name) or name in ("localhost", self._host):
            return True
        own = _bare(socket.gethostname())
        short = own.partition(".")[0]
        if name in (own, short, f"{short}.local"):  # .local: RFC 6762, names without a server
            return True
        return await run_in_threadpool(self._is_declared, name)

    def _is_declared(self, name: str) -> bool:
        page = self._declared()
        return (
            page is not None and name == _name_in(urlsplit(page).netloc)
        ) or name == _full_name()


@cache
def _full_name() -> str:
    """Name this machine with its domain; once, for the question may go over the network."""
    return _bare(socket.getfqdn())


def _bare(name: str) -> str:
    return name.lower().removesuffix(".")


def _name_in(host: str) -> str | None:
    """The name or address in a Host header; None where it holds anything more."""
    try:
        parts = urlsplit(f"//{host}")
        _ = parts.port  # raises where it is none
    except ValueError:
        return None
    if parts.netloc != host or "@" in host or not parts.hostname:
        return None
    return _bare(parts.hostname)


def _is_address(name: str) -> bool:
    try:
        ip_address(name)
    except ValueError:
        return False
    return True


def _refusal(asked: str, remedy: str, headers: Headers) -> Response:
    says = _unknown(asked, remedy)
    if "text/html" not in headers.get("accept", ""):
        return PlainTextResponse(says, status_code=421)
    page = stranger_page(says)
    return HTMLResponse(page, status_code=421, headers=with_style(STYLE))


def _unknown(asked: str, remedy: str) -> str:
    name = ascii(asked[:100])
    return (
        f"These pages don't answer to the name {name}, for anybody could let such a name lead "
        "here. Use this machine's own name or its IP address. If the name is one you gave it, "
        f"{remedy}\n"
    )


def from_elsewhere(headers: Headers) -> bool:
    """Whether a browser sent this form from a page of another site.

    Browsers say so in ``Sec-Fetch-Site`` or, older ones, in ``Origin``; a program that sends
    neither is not a browser that somebody could be lured with.
    """
    site = headers.get("sec-fetch-site")
    if site is not None and site not in ("same-origin", "none"):
        return True
    origin = headers.get("origin")
    return origin is not None and urlsplit(origin).netloc != headers.get("host")


def is_a_browser(headers: Headers) -> bool:
    """Whether a form comes from a browser: all of today's say where it was sent from."""
    return "origin" in headers or "sec-fetch-site" in headers
