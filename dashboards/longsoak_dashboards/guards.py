"""What keeps other sites out: headers on every answer, and a look at where a form was sent from."""

from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

HEADERS = {
    "Content-Security-Policy": "default-src 'self'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'; object-src 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
}


class SecureHeaders:
    """Adds `HEADERS` to every answer, and keeps pages with readings out of caches."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, and its answer back with the headers."""

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update(HEADERS)
                static = str(scope.get("path", "")).startswith("/static/")
                headers.setdefault("Cache-Control", "no-cache" if static else "no-store")
            await send(message)

        await self._app(scope, receive, with_headers if scope["type"] == "http" else send)


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
