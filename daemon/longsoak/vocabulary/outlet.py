"""The contract between the service and what sends the record elsewhere."""

from typing import Protocol


class Outlet(Protocol):
    """Sends what the record holds to one place outside: a database, a mail server, a broker.

    Called from one thread at a time. It never delivers on its own: the caller asks for a step,
    keeps the position that comes back, and decides when to try again.
    """

    name: str  # also that of its cursor in the record

    def step(self, position: int) -> int:
        """Send some of what the record holds after `position`.

        Every wait inside has a limit of 10 s.

        Returns
        -------
        int
            The new position, never below `position`; the same if there was nothing to send.

        Raises
        ------
        ForwardError, NoticeError
            It was not accepted. Nothing has moved; call again later with the same position.
        """
        ...

    def close(self) -> None:
        """Say good-bye to the other end, within 10 s. Never raises; safe to call twice."""
        ...
