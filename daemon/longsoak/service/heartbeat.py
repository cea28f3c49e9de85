"""Signs of life to somebody outside, who raises the alarm when they stop."""

import logging
import threading
from collections.abc import Callable
from pathlib import Path

from longsoak.rigfile.placeoffile import place_of
from longsoak.service.clock import Clock
from longsoak.service.messages import OutletNews
from longsoak.service.verified import Verified
from longsoak.service.webget import PATIENCE, NoAnswerError, get
from longsoak.vocabulary.destinations import Heartbeat

_log = logging.getLogger(__name__)

HEARTBEAT = "heartbeat"
LOOK = 2.0  # s between two looks while nothing new is in the record


class HeartbeatWorker(threading.Thread):
    """Asks for an address, and only while what is measured is read back from the record.

    A beat goes out at most every `every` s, and only if since the last one a scan that brought a
    value was read back: see `Verified`. One that is not taken is told and made up for by the next;
    nothing piles up. It holds nobody up but itself.

    Parameters
    ----------
    settings : Heartbeat
        Where to, and how often.
    beside : Path
        Where the files lie that the rig file names.
    verified : Verified
        Reads back.
    clock : Clock
        The clocks.
    stop : threading.Event
        Ends it.
    put : callable
        Takes what is to be told.
    patience : float
        Longest wait for the other end, s.
    """

    def __init__(
        self,
        settings: Heartbeat,
        *,
        beside: Path,
        verified: Verified,
        clock: Clock,
        stop: threading.Event,
        put: Callable[[OutletNews], None],
        patience: float = PATIENCE,
    ) -> None:
        super().__init__(name=HEARTBEAT, daemon=True)
        self._settings = settings
        self._beside = beside
        self._verified = verified
        self._clock = clock
        self._stop_asked = stop
        self._put = put
        self._patience = patience
        self._told: tuple[str, int] | None = None  # run and scan of the last beat
        self._held_back: str | None = None

    def run(self) -> None:
        """Beat until stopped."""
        due = self._clock.monotonic()
        while not self._stop_asked.wait(max(0.0, due - self._clock.monotonic())):
            began = self._clock.monotonic()
            try:
                tried = self._try()
            except Exception as error:  # a bug in here must look like what it is: no sign of life
                _log.exception("the heartbeat failed")
                self._put(OutletNews(HEARTBEAT, f"failed: {error!r}"))
                tried = True
            due = began + (self._settings.every if tried else LOOK)

    def _try(self) -> bool:
        """Beat if there is something to vouch for; true if it was tried."""
        seen = self._verified.look()
        if seen.scan is None:
            self._hold_back(seen.why)
            return False
        newest = (seen.scan.run, seen.scan.scan)
        if newest == self._told:  # young enough, but vouched for already
            return False
        if self._held_back is not None:
            _log.info("the heartbeat goes on: scan %d was read back", seen.scan.scan)
            self._held_back = None
        try:
            get(self._address(), ca_file=self._ca_file(), patience=self._patience, most=0)
        except NoAnswerError as error:
            self._put(OutletNews(HEARTBEAT, str(error)))
        else:
            self._told = newest
            self._put(OutletNews(HEARTBEAT, None))
        return True

    def _hold_back(self, why: str) -> None:
        if self._held_back is None:  # told once: an age in the sentence grows with each look
            _log.warning("the heartbeat is held back: %s", why)
        self._held_back = why

    def _address(self) -> str:
        """Read it anew each time, so that it may be changed while measuring goes on."""
        file = self._settings.url_file
        if file is None:
            return self._settings.url or ""
        path = place_of(file, beside=self._beside)
        try:
            address = path.read_text(encoding="utf-8").strip()
        except (OSError, ValueError) as error:
            says = getattr(error, "strerror", None) or "it is no text in UTF-8"
            raise NoAnswerError(f"the address in {path} can't be read: {says}") from error
        if not address.startswith(("http://", "https://")) or len(address.split()) != 1:
            raise NoAnswerError(
                f"{path} holds no web address: one line that begins with http:// or https://"
            )
        return address

    def _ca_file(self) -> Path | None:
        file = self._settings.ca_file
        return None if file is None else place_of(file, beside=self._beside)
