"""Sessions as signed cookies, and what a request is known by while it is answered."""

import hmac
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from hashlib import sha256
from typing import Self

from itsdangerous import BadSignature, URLSafeSerializer

from longsoak_dashboards.access.passwords import Passwords, Role

DAY_MS = 86_400_000
LASTS_MS = 30 * DAY_MS  # since it was used last, as it is told
LONGEST_MS = 400 * DAY_MS  # since somebody logged in
RENEWED_MS = DAY_MS  # how old a cookie gets before it is written anew
_SALT = "longsoak.session"


@dataclass(frozen=True, slots=True)
class Session:
    """A browser that is known again. Times are UTC, ms since 1970.

    `password` is the number of the one it was opened with; empty where nobody logged in.
    """

    id: str
    role: Role
    began_ms: int
    issued_ms: int
    password: str

    @classmethod
    def opened(cls, role: Role, password: str, *, now_ms: int) -> Self:
        """A new one, which nobody could have known before."""
        return cls(secrets.token_hex(16), role, now_ms, now_ms, password)

    def holds(self, passwords: Passwords | None, *, now_ms: int) -> bool:
        """Whether whoever logged in still counts as that.

        A clock that is behind, as of a computer without a battery, ends no session.
        """
        if self.role is Role.NOBODY or passwords is None:
            return False
        opened_with = passwords.of(self.role)
        return (
            opened_with is not None
            and opened_with.number == self.password
            and now_ms - self.issued_ms < LASTS_MS
            and now_ms - self.began_ms < LONGEST_MS
        )

    def signed(self, secret: str, *, now_ms: int) -> str:
        """As a cookie holds it, issued now."""
        said = [self.id, int(self.role), self.began_ms, now_ms, self.password]
        return str(URLSafeSerializer(secret, salt=_SALT).dumps(said))

    def key(self, secret: str) -> bytes:
        """What only whoever has this session's cookie is told, for its forms to bring along."""
        return hmac.digest(secret.encode(), f"form {self.id}".encode(), sha256)[:16]


def read(cookie: str | None, secret: str) -> Session | None:
    """The session in a cookie; None where we did not sign it."""
    if not cookie:
        return None
    try:
        known, role, began, issued, password = URLSafeSerializer(secret, salt=_SALT).loads(cookie)
        return Session(str(known), Role(role), int(began), int(issued), str(password))
    except (BadSignature, ValueError, TypeError):
        return None


@dataclass(frozen=True, slots=True)
class Visit:
    """Who asks, as it counts for one request.

    `asks` is whether there are passwords at all, `key` what its forms have to bring along,
    `encrypted` whether TLS carries it, `readable` whether a password would go over a network so
    that others could read it.
    """

    role: Role
    session: Session
    key: bytes
    asks: bool
    encrypted: bool = False
    readable: bool = False

    def token(self) -> str:
        """The key as one form brings it: other in each, for lengths of what is compressed tell."""
        mask = secrets.token_bytes(len(self.key))
        return (mask + _exclusive_or(mask, self.key)).hex()

    def brought(self, token: str) -> bool:
        """Whether a form that brings this token was made for this visit."""
        try:
            said = bytes.fromhex(token)
        except ValueError:
            return False
        half = len(self.key)
        own = _exclusive_or(said[:half], said[half:])
        return half > 0 and hmac.compare_digest(own, self.key)

    @property
    def may_change(self) -> bool:
        """Whether it may change anything."""
        return self.role is Role.KEEPER

    @property
    def logged_in(self) -> bool:
        """Whether somebody logged in, and so can log out."""
        return self.asks and self.session.role is not Role.NOBODY


def _exclusive_or(some: bytes, others: bytes) -> bytes:
    return bytes(one ^ other for one, other in zip(some, others, strict=False))


_STRANGER = Visit(Role.NOBODY, Session("", Role.NOBODY, 0, 0, ""), b"", asks=True)
_visit: ContextVar[Visit] = ContextVar("visit", default=_STRANGER)


def visit() -> Visit:
    """Who asks now, be it in a thread that works for the request."""
    return _visit.get()


@contextmanager
def visiting(who: Visit) -> Iterator[None]:
    """Let a request count as of `who`."""
    token = _visit.set(who)
    try:
        yield
    finally:
        _visit.reset(token)
