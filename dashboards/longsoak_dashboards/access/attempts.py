"""Passwords that are tried: one hash at a time in the whole process, and not too many tries."""

import hmac
import secrets
from collections import OrderedDict
from functools import partial
from hashlib import sha256

import anyio
import anyio.to_thread

from longsoak_dashboards.access.limits import Limit
from longsoak_dashboards.access.passwords import Passwords, Role, role_of
from longsoak_dashboards.clock import running

_QUEUE = 8  # that wait for a hash; more are sent away
_REMEMBERED = 16  # passwords of programs that were right


class TooManyError(Exception):
    """Nothing was tried; `wait` is how many s one has to wait."""

    def __init__(self, wait: float) -> None:
        super().__init__(wait)
        self.wait = wait


class Attempts:
    """Tries passwords.

    Whoever logged in on this browser before has tries of his own (`known`), which nobody else can
    use up. All others share a number of tries, so that many addresses guess no faster than a few.
    """

    def __init__(self) -> None:
        self._one: anyio.CapacityLimiter | None = None
        self._each = Limit(burst=6, a_second=1 / 30)
        self._all = Limit(burst=30, a_second=1 / 6)
        self._key = secrets.token_bytes(32)
        self._right: OrderedDict[bytes, tuple[Role, str]] = OrderedDict()

    async def role(
        self, password: str, passwords: Passwords, *, who: str, known: str | None = None
    ) -> Role:
        """What a password lets one do.

        Parameters
        ----------
        password : str
            As it was typed.
        passwords : Passwords
            Those that are set.
        who : str
            Whose tries are counted: an address.
        known : str or None
            A browser that somebody logged in with before.

        Raises
        ------
        TooManyError
            There were too many tries.
        """
        whose, now = who if known is None else f"known {known}", running()
        wait = self._each.wait(whose, now=now)
        if not wait and known is None:
            wait = self._all.wait(now=now)
        if wait:
            raise TooManyError(wait)
        self._one = self._one or anyio.CapacityLimiter(1)
        if self._one.statistics().tasks_waiting >= _QUEUE:
            raise TooManyError(1.0)
        found = await anyio.to_thread.run_sync(
            partial(role_of, password, passwords), limiter=self._one
        )
        if found is Role.KEEPER:  # a visitor's password must not make room to guess the other
            self._each.forgive(whose)
        return found

    async def role_of_program(self, password: str, passwords: Passwords, *, who: str) -> Role:
        """The same for what sends its password each time: one that was right is not hashed again.

        Raises
        ------
        TooManyError
            There were too many tries.
        """
        mark = hmac.digest(self._key, password.encode(), sha256)
        role, number = self._right.get(mark, (Role.NOBODY, ""))
        kept = passwords.of(role)
        if kept is not None and kept.number == number:
            return role
        self._right.pop(mark, None)
        role = await self.role(password, passwords, who=who)
        kept = passwords.of(role)
        if kept is not None:
            self._right[mark] = (role, kept.number)
            while len(self._right) > _REMEMBERED:
                self._right.popitem(last=False)
        return role
