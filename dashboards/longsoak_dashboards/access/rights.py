"""How a browser is known: its session, and whether somebody logged in with it before."""

import hashlib
import secrets
from collections import OrderedDict
from dataclasses import dataclass, field
from pathlib import Path

from itsdangerous import BadSignature, URLSafeSerializer
from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import Response

from longsoak_dashboards.access.attempts import Attempts
from longsoak_dashboards.access.passwords import PasswordFile, Passwords, Role, path_of
from longsoak_dashboards.access.sessions import (
    LASTS_MS,
    LONGEST_MS,
    Session,
    Visit,
    read,
)
from longsoak_dashboards.clock import now_ms

LOG_IN = "/login"
_ENDED = 512  # sessions of which is remembered that somebody logged out


@dataclass
class Access:
    """What is known of who may do what.

    Parameters
    ----------
    rig_file : Path
        The passwords lie beside it.
    local : bool
        Whether only this machine can reach the pages.
    anybody_reads : bool
        Whether whoever reaches them may read without a password.
    """

    rig_file: Path
    local: bool = True
    anybody_reads: bool = False
    attempts: Attempts = field(default_factory=Attempts)

    def __post_init__(self) -> None:
        self._file = PasswordFile(path_of(self.rig_file))
        self._secret = secrets.token_hex(32)  # until there are passwords
        # Cookies know no ports: two rigs' pages on one machine would take each other's away.
        whose = str(self.rig_file.resolve()).encode()
        self._name = f"longsoak-{hashlib.sha256(whose).hexdigest()[:8]}"
        self._ended: OrderedDict[str, None] = OrderedDict()

    def passwords(self) -> Passwords | None:
        """Those that are set.

        Raises
        ------
        StoreError
            They can't be read.
        """
        return self._file.now()

    def secret(self, passwords: Passwords | None) -> str:
        """What signs sessions."""
        return self._secret if passwords is None else passwords.secret

    def cookie(self, *, encrypted: bool) -> str:
        """The session cookie's name; the prefix lets a browser take it from this host alone.

        ``__Host-``: RFC 6265bis (a draft), from memory.
        """
        return f"__Host-{self._name}" if encrypted else self._name

    def known_browser(self, request: Request, passwords: Passwords) -> str | None:
        """By what a browser is known that somebody logged in with before."""
        try:
            words = request.cookies.get(f"{self._name}-known", "")
            return str(self._known(passwords).loads(words))
        except BadSignature:
            return None

    def let_in(
        self, answer: Response, visit: Visit, session: Session, passwords: Passwords
    ) -> None:
        """Give a browser its session, and let it be known from now on."""
        self.give(answer.headers, visit, session, passwords)
        answer.set_cookie(
            f"{self._name}-known",
            self._known(passwords).dumps(secrets.token_hex(8)),
            max_age=LONGEST_MS // 1000,
            path=LOG_IN,
            secure=visit.encrypted,
            httponly=True,
            samesite="strict",
        )

    def give(
        self,
        headers: MutableHeaders,
        visit: Visit,
        session: Session,
        passwords: Passwords | None,
    ) -> None:
        """Write a session into the headers of an answer."""
        holder = Response()
        holder.set_cookie(
            self.cookie(encrypted=visit.encrypted),
            session.signed(self.secret(passwords), now_ms=now_ms()),
            # Nobody's ends with the browser.
            max_age=None if session.role is Role.NOBODY else LASTS_MS // 1000,
            secure=visit.encrypted,
            httponly=True,
            samesite="lax",  # a link in a mail about an alarm leads in
        )
        headers.append("set-cookie", holder.headers["set-cookie"])

    def end(self, session: Session) -> None:
        """Let a session hold no longer, whoever has a copy of its cookie."""
        self._ended[session.id] = None
        while len(self._ended) > _ENDED:
            self._ended.popitem(last=False)

    def session(self, request: Request, passwords: Passwords | None) -> Session | None:
        """The session of a browser, be it nobody's; None where it brings none of ours."""
        name = self.cookie(encrypted=request.url.scheme == "https")
        found = read(request.cookies.get(name), self.secret(passwords))
        if found is None or found.id in self._ended:
            return None
        if found.role is Role.NOBODY or found.holds(passwords, now_ms=now_ms()):
            return found
        return None

    @staticmethod
    def _known(passwords: Passwords) -> URLSafeSerializer:
        return URLSafeSerializer(passwords.secret, salt="longsoak.known")
