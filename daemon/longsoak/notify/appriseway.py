"""Notices through the general notification library `apprise`, an extra."""

import logging
from collections.abc import Sequence

import apprise

from longsoak.notify.notice import Carried, Notice
from longsoak.notify.words import one_line
from longsoak.vocabulary.errors import NoticeError, PartlyError

PATIENCE = 10.0  # s, longest wait for each thing a service is asked; some have more
_SHOWN = 200  # characters of what the library says


class AppriseCarrier:
    """Hands notices to services that the library knows. See `longsoak.notify.notice.Carrier`.

    Each service is asked by itself, so that one that fails gets it again and the others don't. The
    library does not tell what is refused for good, so all is tried again. Its addresses are secrets
    and never told: a service is called by its kind.

    Parameters
    ----------
    addresses : sequence of str
        The services, as the library writes them.

    Raises
    ------
    NoticeError
        There is none, or the library does not know one.
    """

    def __init__(self, addresses: Sequence[str]) -> None:
        asset = apprise.AppriseAsset(app_id="Longsoak", async_mode=False, secure_logging=True)
        self._services = []
        for number, address in enumerate(addresses, 1):
            service = apprise.Apprise.instantiate(address, asset=asset, suppress_exceptions=True)
            if service is None:
                raise NoticeError(
                    f"address {number} in apprise_file is none that the library apprise knows. "
                    "Compare it with the library's own documentation."
                )
            for wait in ("socket_connect_timeout", "socket_read_timeout"):
                setattr(service, wait, min(PATIENCE, getattr(service, wait)))
            self._services.append(service)
        if not self._services:
            raise NoticeError("apprise_file holds no address. Write one on each line.")
        self._key = ""
        self._done: set[int] = set()
        self._late: list[str] = []  # who did not take an earlier one, which is not tried again

    def carry(self, notice: Notice) -> Carried:
        """Hand it to each service that has not taken it yet."""
        if notice.key != self._key:
            if self._done:
                self._late += [
                    f"{_kind(service)}: it did not take the notice before (not tried again)"
                    for place, service in enumerate(self._services)
                    if place not in self._done
                ]
            self._key, self._done = notice.key, set()
        failed = []
        for place, service in enumerate(self._services):
            if place in self._done:
                continue
            urgent = apprise.NotifyType.WARNING if notice.high else apprise.NotifyType.INFO
            with apprise.LogCapture(level=logging.WARNING) as said:  # type: ignore[no-untyped-call]  # it has no types
                took = service.notify(body=notice.text, title=notice.subject, notify_type=urgent)
                why = one_line(said.getvalue())[-_SHOWN:]
            if took:
                self._done.add(place)
            else:
                failed.append(f"{_kind(service)}: {why or 'it did not take it'}")
        if failed:
            says = f"of the services in apprise_file, {'; '.join(failed)}"
            raise PartlyError(says, some_took=True) if self._done else NoticeError(says)
        late, self._late = self._late, []
        self._key, self._done = "", set()
        return Carried(True, late)

    def probe(self) -> None:
        """Do nothing: the library can't ask whether a service is there."""

    def close(self) -> None:
        """Do nothing: the library keeps no connection."""


def _kind(service: apprise.NotifyBase) -> str:
    return one_line(str(service.service_name))
