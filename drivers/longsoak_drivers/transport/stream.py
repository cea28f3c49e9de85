"""The narrowest thing a driver needs from a port, so that bytes alone can stand in for one."""

from typing import Protocol


class ByteStream(Protocol):
    """A port that is already open. Every wait has a limit; a port that is gone is a `BusError`."""

    def write(self, data: bytes) -> None:
        """Send all of `data`.

        Raises
        ------
        BusError
            The port is gone, or takes nothing within its time limit.
        """
        ...

    def read_until(self, end: bytes, *, limit: int) -> bytes:
        """Read through `end`, within the port's own time limit for the whole answer.

        What comes back without `end` is what came before the time ran out, or `limit` bytes of
        something that isn't an answer. The caller then drains before it asks again.

        Raises
        ------
        BusError
            The port is gone.
        """
        ...

    def read_some(self, *, within: float) -> bytes:
        """Wait for bytes and take all that came; nothing if none came `within` seconds.

        Raises
        ------
        BusError
            The port is gone.
        """
        ...

    def drain(self, *, quiet: float, longest: float) -> None:
        """Throw away what comes until nothing did for `quiet` s, for at most `longest` s.

        Raises
        ------
        BusError
            The port is gone.
        """
        ...

    def close(self) -> None:
        """Release the port. Safe to call twice, and after a `BusError`."""
        ...
