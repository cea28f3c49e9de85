"""The pages of a shop as a web application: one sheet, its news, and who may see it."""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from longsoak_dashboards import static
from longsoak_dashboards.access.door import Door
from longsoak_dashboards.access.rights import Access
from longsoak_dashboards.clock import now_ms, running
from longsoak_dashboards.compress import Compressed
from longsoak_dashboards.guards import KnownNames, SecureHeaders
from longsoak_dashboards.loginsheets import LoginSheets
from longsoak_dashboards.refusals import Refusals
from longsoak_dashboards.server import set_up_interpreter
from longsoak_dashboards.sheets import Framed, Place
from longsoak_dashboards.shop.book import Book, News
from longsoak_dashboards.shop.hearing import ShopHearing
from longsoak_dashboards.shop.news import ShopNews
from longsoak_dashboards.view.shop import shop_page

ANOTHER_NAME = "start `longsoak pages` with it as --page, as in --page http://shop-pi.local:8460/."

Hear = Callable[[Book, Callable[[News], None]], ShopHearing]


class ShopSheets(Framed):
    """The sheet of a shop."""

    def __init__(self, book: Book, hearing: ShopHearing) -> None:
        self._book, self._hearing = book, hearing
        self.place = Place(
            sheets=(("/", "Shop"),), across=1, whose="shop", unnamed=hearing.line.name,
            one_rig=False,
        )  # fmt: skip

    def shop(self, request: Request) -> Response:
        """All rigs, those first that want somebody."""
        page = shop_page(self._book.shop(), self._hearing.line, now_ms=now_ms(), running=running())
        return self.render("shop.html.j2", "/", None, page=page)


def create_shop(hear: Hear, *, host: str, page: str | None, access: Access) -> Starlette:
    """The application for all rigs at one broker.

    Parameters
    ----------
    hear : callable
        Makes what hears the broker, from what keeps what it hears and what is told of it.
    host : str
        What the pages were told to listen on.
    page : str or None
        The web address under which others open them.
    access : Access
        Who may see them.
    """
    told: list[ShopNews] = []

    def tell(news: News) -> None:
        for streams in told:
            streams.tell(news)

    book = Book()
    hearing = hear(book, tell)
    sheets = ShopSheets(book, hearing)
    login = LoginSheets(sheets, access)

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        set_up_interpreter()
        app.state.news = ShopNews()
        told.append(app.state.news)
        hearing.start()
        yield
        await app.state.news.close()
        await run_in_threadpool(hearing.close)

    return Starlette(
        routes=[
            Route("/", sheets.shop),
            Route("/events", _events),
            Route("/login", login.sheet, methods=["GET"]),
            Route("/login", login.log_in, methods=["POST"]),
            Route("/logout", login.log_out, methods=["POST"]),
            Route("/session.json", login.who),
            Route("/favicon.ico", static.icon),
            Route("/static/{name:path}", static.serve),
        ],
        exception_handlers=Refusals(sheets).handlers,
        middleware=[
            Middleware(SecureHeaders),
            Middleware(KnownNames, host=host, declared=lambda: page, remedy=ANOTHER_NAME),
            Middleware(Door, access=access, refuse=sheets.refuse),
            Middleware(Compressed),
        ],
        lifespan=lifespan,
    )


async def _events(request: Request) -> Response:
    news: ShopNews = request.app.state.news
    return StreamingResponse(news.stream(), media_type="text/event-stream")
