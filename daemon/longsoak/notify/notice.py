"""What goes out, what carries it, and what is told of that."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Notice:
    """One message. `key` is the same whenever the same is sent again.

    `high` is whether something of high priority has come. `fields` is the same for programs, as
    ``notice.schema.json`` says.
    """

    subject: str
    text: str
    key: str
    high: bool
    fields: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Carried:
    """What became of a notice: whether anybody took it, and what was refused for good, in words."""

    taken: bool
    refused: Sequence[str] = ()


class Carrier(Protocol):
    """Takes notices to one other end. Every wait inside has a limit of 10 s."""

    def carry(self, notice: Notice) -> Carried:
        """Hand one over.

        Raises
        ------
        PartlyError
            Some took it, or may have; the very same has to be tried again.
        NoticeError
            Nobody took it; it may be tried again together with what comes.
        """
        ...

    def probe(self) -> None:
        """See whether the other end is there, where that can be seen without sending anything.

        Raises
        ------
        NoticeError
            It is not.
        """
        ...

    def close(self) -> None:
        """Say good-bye. Never raises; safe to call twice."""
        ...


class Now(Protocol):
    """The clocks of the service, as far as notices go by them."""

    def utc_ms(self) -> int:
        """Wall clock, ms since 1970 UTC."""
        ...

    def boottime_ms(self) -> int:
        """CLOCK_BOOTTIME, ms."""
        ...

    def monotonic(self) -> float:
        """CLOCK_MONOTONIC, s."""
        ...

    def synchronised(self) -> bool:
        """Whether the wall clock is known."""
        ...


@dataclass(frozen=True, slots=True)
class Reports:
    """Where a route tells what becomes of its notices.

    `event` takes a kind and words, `refuses` what the other end refuses for good, or None once it
    takes something again, `cursor` the name and the position of a cursor beside the route's own.
    """

    event: Callable[[str, str], None]
    refuses: Callable[[str | None], None]
    cursor: Callable[[str, int], None]
