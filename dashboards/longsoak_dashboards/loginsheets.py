"""Logging in and out: the one sheet that whoever may read nothing sees."""

from urllib.parse import urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from longsoak.vocabulary.errors import StoreError
from longsoak_dashboards.access.attempts import TooManyError
from longsoak_dashboards.access.door import who_asks
from longsoak_dashboards.access.passwords import Passwords, Role
from longsoak_dashboards.access.rights import LOG_IN, Access
from longsoak_dashboards.access.sessions import Session, visit
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.forms import Form, form, read_form
from longsoak_dashboards.sheets import Framed
from longsoak_dashboards.source import Heading

_LONGEST_ADDRESS = 1000  # characters


class LoginSheets(Framed):
    """Logging in and out of some pages."""

    first = LOG_IN

    def __init__(self, pages: Framed, access: Access) -> None:
        self.place = pages.place
        self._pages = pages
        self._access = access

    def frame(self) -> Heading | None:
        """The frame of the pages themselves."""
        return self._pages.frame()

    def sheet(self, request: Request) -> Response:
        """The form, or how to log out for whoever is in."""
        if not visit().asks:
            return RedirectResponse("/", status_code=303)
        return self._form(request.query_params.get("to", ""))

    async def log_in(self, request: Request) -> Response:
        """Try a password, and let in whoever has it."""
        said = await read_form(self, request)
        if isinstance(said, Response):
            return said
        try:
            return await self._tried(request, said)
        except TooManyError as error:
            wait = max(1, round(error.wait))
            answer = await run_in_threadpool(
                self._form,
                said.get("to", ""),
                wrong=f"Too many passwords were tried. Wait {wait} s; this one was not looked at.",
                status=429,
            )
            answer.headers["Retry-After"] = str(wait)
            return answer

    async def _tried(self, request: Request, said: Form) -> Response:
        passwords = self._access.passwords()
        if passwords is None:
            return RedirectResponse("/", status_code=303)
        role = await self._access.attempts.role(
            said.get("password", ""),
            passwords,
            who=who_asks(request, visit()),
            known=self._access.known_browser(request, passwords),
        )
        kept = passwords.of(role)
        if kept is None:
            return await run_in_threadpool(
                self._form,
                said.get("to", ""),
                wrong="This is not the password. Nobody was logged in.",
                status=403,
            )
        answer = RedirectResponse(local(said.get("to", "")), status_code=303)
        # Another session than before: whoever knew that one does not know this one.
        session = Session.opened(role, kept.number, now_ms=now_ms())
        self._access.let_in(answer, visit(), session, passwords)
        return answer

    @form
    def log_out(self, request: Request, said: Form) -> Response:
        """End the session, here and wherever else its cookie is."""
        self._access.end(visit().session)
        answer = RedirectResponse(LOG_IN if visit().asks else "/", status_code=303)
        nobody = Session.opened(Role.NOBODY, "", now_ms=now_ms())
        self._access.give(answer.headers, visit(), nobody, self._passwords_or_none())
        return answer

    def who(self, request: Request) -> Response:
        """Whether this browser may change something now, and what its forms bring along."""
        who = visit()
        return JSONResponse({"may_change": who.may_change, "token": who.token()})

    def _passwords_or_none(self) -> Passwords | None:
        try:
            return self._access.passwords()
        except StoreError:
            return None

    def _form(self, to: str, *, wrong: str = "", status: int = 200) -> Response:
        return self.render(
            "login.html.j2", LOG_IN, None, to=local(to), wrong=wrong, waiting=False, status=status
        )


def local(to: str) -> str:
    """An address of these pages to go on to; the first sheet in place of any other."""
    try:
        parts = urlsplit(to)
    except ValueError:
        return "/"
    fits = (
        to.startswith("/")
        and not to.startswith(("//", LOG_IN))
        and not (parts.scheme or parts.netloc)
        and to.isascii()
        and to.isprintable()
        and "\\" not in to
        and len(to) <= _LONGEST_ADDRESS
    )
    return to if fits else "/"
