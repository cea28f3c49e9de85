"""What a request asks for: its query read strictly, each mistake told in one sentence."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Self
from urllib.parse import urlencode

from starlette.requests import Request

from longsoak.core.wording import meant_words, rfc3339
from longsoak_dashboards.api.problems import Problem
from longsoak_dashboards.compress import weighed
from longsoak_dashboards.moments import time_ms

MOST = 1000  # things in one answer, and how many there are unless fewer are asked for
_LATEST = 2**53  # what a number can be that every program takes for the same (RFC 8259, 6)
_EXAMPLE = "2026-05-04T00:00:00Z"


class Asked:
    """The query of a request, which may hold `allowed`, and `several` times those, and no more.

    Raises
    ------
    Problem
        It holds another name, or a name twice.
    """

    def __init__(self, request: Request, *allowed: str, several: Sequence[str] = ()) -> None:
        self._path = request.url.path
        self._query = request.query_params
        allowed = (*allowed, *several)
        for name in self._query:
            if name not in allowed:
                there = f"There is {', '.join(sorted(allowed)) or 'nothing to ask for'}."
                meant = meant_words(name[:60], allowed) or there
                raise Problem(400, f"There is no {name[:60]!r} to ask for here. {meant}")
            if name not in several and len(self._query.getlist(name)) > 1:
                raise Problem(400, f"{name} is given twice, expected once at most.")

    def get(self, name: str) -> str | None:
        """What is given by a name."""
        return self._query.get(name)

    def all(self, name: str) -> list[str]:
        """What is given by a name that may be there several times; each once, in their order."""
        return list(dict.fromkeys(self._query.getlist(name)))

    def number(
        self, name: str, usual: int, *, least: int = 0, most: int = _LATEST, other: str = ""
    ) -> int:
        """A whole number; `other` is what else may be there, to say so."""
        words = self._query.get(name)
        if words is None:
            return usual
        if not (words.isascii() and words.isdecimal() and len(words) < 17) or not (
            least <= int(words) <= most
        ):
            upto = f"from {least} to {most}" if most < _LATEST else f"of {least} or more"
            upto += f", or {other}" if other else ""
            raise Problem(400, f"{name} is {words[:40]!r}, expected a whole number {upto}.")
        return int(words)

    def time(self, name: str, usual: int) -> int:
        """A time, UTC ms."""
        words = self._query.get(name)
        if words is None:
            return usual
        found = time_ms(words)
        if found is None:
            plus = " In an address a + is written %2B." if " " in words else ""
            says = (
                f"{name} is {words[:40]!r}, expected a time of RFC 3339 such as {_EXAMPLE}.{plus}"
            )
            raise Problem(400, says)
        return found

    def span(self, *, end_ms: int, usual: Callable[[int], int]) -> tuple[int, int]:
        """The time from `from` to `to`, UTC ms.

        Where they are not said it goes up to `end_ms`, and begins where it usually does that ends
        so.
        """
        until = self.time("to", end_ms)
        since = self.time("from", usual(until))
        if since > until:
            says = f"from, {rfc3339(since)}, is later than to, {rfc3339(until)}. Exchange them."
            raise Problem(400, says)
        return since, until

    def word(self, name: str, words: Sequence[str]) -> str | None:
        """One of some words."""
        found = self._query.get(name)
        if found is not None and found not in words:
            raise Problem(400, f"{name} is {found[:40]!r}, expected {' or '.join(words)}.")
        return found

    def again(self, **changed: int) -> str:
        """The address of the same request with something changed."""
        return f"{self._path}?{urlencode({**self._query, **changed})}"


@dataclass(frozen=True, slots=True)
class Page:
    """Which of many things are wanted: `limit` of them, after the first `skip`."""

    skip: int
    limit: int

    @classmethod
    def of(cls, asked: Asked) -> Self:
        """As a request says."""
        return cls(asked.number("skip", 0), limit_of(asked))


def limit_of(asked: Asked) -> int:
    """How many things are wanted at most."""
    return asked.number("limit", MOST, least=1, most=MOST)


def wants_csv(request: Request, asked: Asked) -> bool:
    """Whether rows of text are wanted: by `format`, or else by what is accepted rather."""
    words = asked.word("format", ("json", "csv"))
    if words is not None:
        return words == "csv"
    weights = weighed(request.headers.getlist("accept"))
    return weights.get("text/csv", 0.0) > weights.get("application/json", 0.0)
