"""What Longsoak raises. Everything derives from `LongsoakError`."""

from dataclasses import dataclass


class LongsoakError(Exception):
    """Base of every error raised on purpose; anything else that escapes is a bug."""


class BusError(LongsoakError):
    """A bus can't be talked to at all: port gone, permission denied, master missing."""


class DriverError(LongsoakError):
    """A driver named in the rig file can't be used: unknown, failed to import, or wrong shape."""


class StoreError(LongsoakError):
    """The record can't be opened or brought up to date. Nothing in it was changed."""


class RequestError(LongsoakError):
    """A request to the measuring process is put in a way that can't be kept; nothing was asked."""


class ForwardError(LongsoakError):
    """A copy to another place was not accepted; it will be tried again.

    `again_after` is how long the other end asked to be left alone, s; None if it did not ask.
    """

    def __init__(self, says: str, *, again_after: float | None = None) -> None:
        super().__init__(says)
        self.again_after = again_after


class BrokerError(LongsoakError):
    """The MQTT broker is away, or has not accepted a message; each outlet tells it as its own."""


class NoticeError(LongsoakError):
    """A notice was not accepted for delivery; it will be tried again.

    `again_after` is how long the other end asked to be left alone, s; None if it did not ask.
    """

    def __init__(self, says: str, *, again_after: float | None = None) -> None:
        super().__init__(says)
        self.again_after = again_after


class PartlyError(NoticeError):
    """A notice was accepted, or may have been; the very same will be tried again.

    `some_took` is whether some are known to have accepted it: nothing new waits behind the others.
    """

    def __init__(self, says: str, *, some_took: bool) -> None:
        super().__init__(says)
        self.some_took = some_took


class PhysicsError(LongsoakError, ValueError):
    """A conversion was asked of a value it does not hold for: which argument, what, and the range.

    Readings that far out are judged before they are converted, so in the service this is a bug.
    """

    def __init__(self, argument: str, value: object, allowed: str) -> None:
        super().__init__(argument, value, allowed)  # as they came, so that it can be pickled
        self.argument = argument
        self.value = value
        self.allowed = allowed

    def __str__(self) -> str:
        return f"{self.argument} is {self.value}, expected {self.allowed}"


@dataclass(frozen=True)
class Mistake:
    """One thing wrong in a file a person wrote: what, where, what was expected, the way out.

    `line` counts from 1; 0 is the file as a whole, and isn't shown.
    """

    file: str
    line: int
    field: str
    found: object
    expected: str
    remedy: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        return f"{place}: {self.field} is {self.found!r}, expected {self.expected}. {self.remedy}"


class RigFileError(LongsoakError):
    """The rig file was not accepted; `mistakes` holds all of them, in file order."""

    def __init__(self, mistakes: tuple[Mistake, ...]) -> None:
        super().__init__(mistakes)  # the argument as it came, so that it can be pickled
        self.mistakes = mistakes

    def __str__(self) -> str:
        return "\n".join(str(mistake) for mistake in self.mistakes)
