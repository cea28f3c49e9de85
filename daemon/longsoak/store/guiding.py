"""A top-up guided by what the record has of level and float: what terminal and page share."""

from pathlib import Path

from longsoak.core.water.entries import top_up_words
from longsoak.core.water.guide import Ended, Look, Setting, Told, TopUp, ended, is_settled, step
from longsoak.core.water.pour import Sample, lag_after, usual_lag
from longsoak.core.water.vessel import clearance
from longsoak.store.logbook import Logbook
from longsoak.store.proofrequests import Closer, ask_closer
from longsoak.store.reader import Record
from longsoak.store.requests import Request
from longsoak.store.topuprequests import ask_guide
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.logbook import TOP_UP, LogbookEntry
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Rig

EVERY = 0.4  # s between two looks at level and float, where their bus bears it
CLOSER_FOR = 120.0  # s that is asked for at a time
RENEW = 90.0  # s after which it is asked for again
_BEFORE_MS, _AFTER_MS = 10_000, 180_000  # of the end of an earlier pour
_POURS = 8  # entries among which those are looked for that tell a lag


def lag_of(record: Record, rig: Rig) -> float:
    """How late the level follows the can, s: from the rig's own earlier pours where it is known.

    Raises
    ------
    StoreError
        The record can't be read.
    """
    if rig.reservoir is None:
        return usual_lag([])
    found = []
    for entry in Logbook(record.folder).entries(kind=TOP_UP, limit=_POURS):
        after, stopped_ms = entry.content["after_mm"], entry.at_utc_ms + entry.clock_off_ms
        if isinstance(after, int | float):
            levels = record.series(
                rig.reservoir.level,
                since_ms=stopped_ms - _BEFORE_MS,
                until_ms=stopped_ms + _AFTER_MS,
            )
            samples = [Sample(r.utc_ms / 1000, r.value) for r in levels if r.value is not None]
            lag = lag_after(samples, stopped=stopped_ms / 1000, after=float(after))
            found += [] if lag is None else [lag]
    return usual_lag(found)


class Guiding:
    """Follows one top-up. It only reads: whoever holds it asks with `ask_attention`.

    Parameters
    ----------
    record, rig : Record, Rig
        The record that a measuring process writes, and its rig.

    Raises
    ------
    RequestError
        The rig has no reservoir.
    StoreError
        The record can't be read.
    """

    def __init__(self, record: Record, rig: Rig) -> None:
        if rig.reservoir is None:
            raise RequestError(
                "This rig has no [reservoir] in its rig file, so there is nothing to top up."
            )
        self.signals = bool(rig.outputs)  # whether lamp or buzzer may tell of it at the rig
        self._record = record
        self._level, self._float = rig.reservoir.level, rig.reservoir.float_switch
        period = next(probe.every for probe in rig.probes if probe.name == self._level)
        self.setting = Setting(
            rig.reservoir, rig.specimen.underside, min(period, EVERY), lag_of(record, rig)
        )
        self._state = TopUp()
        self._uncertainty = 0.0

    @property
    def closer(self) -> Closer:
        """What to ask for while it goes on, each `RENEW` s."""
        probes = (self._level,) if self._float is None else (self._level, self._float)
        return Closer(probes, EVERY, CLOSER_FOR)

    def look(self, *, now_ms: int) -> Told:
        """What it is now, by the measuring machine's clock, UTC ms.

        Raises
        ------
        StoreError
            The record can't be read.
        """
        found = self._record.latest(self.closer.probes)
        level, floats = found.get(self._level), found.get(self._float or "")
        value, uncertainty = (None, None) if level is None else _believed(level)
        up = None if floats is None else _believed(floats)[0]
        self._uncertainty = uncertainty or self._uncertainty
        look = Look(
            now_ms / 1000,
            value,
            uncertainty,
            0.0 if level is None else level.utc_ms / 1000,
            None if up is None else up > 0,
            0.0 if floats is None else floats.utc_ms / 1000,
        )
        self._state, told = step(self._state, look, self.setting)
        return told

    def follow(self, *, since_ms: int, now_ms: int, stopped_ms: int | None = None) -> Told:
        """What it is now, of a top-up that began at a time: what the record has of it is gone over.

        For whoever keeps nothing from one look to the next. Where the can stopped at a time, it is
        gone over until the water was calm, be it long ago.

        Raises
        ------
        StoreError
            The record can't be read.
        """
        since_ms -= _BEFORE_MS
        levels = self._record.series(self._level, since_ms=since_ms, until_ms=now_ms + 1)
        for reading in levels:
            if stopped_ms is not None and reading.utc_ms > stopped_ms and self.settled:
                break
            value, uncertainty = _believed(reading)
            at = reading.utc_ms / 1000
            # Whether it might go on is asked of the newest looks alone.
            self._state, _ = step(
                self._state, Look(at, value, uncertainty, at, False, at), self.setting
            )
        return self.look(now_ms=now_ms)

    @property
    def began_mm(self) -> float | None:
        """The level when it began, mm; None where none was known yet."""
        return self._state.began_mm

    @property
    def settled(self) -> bool:
        """Whether the water is calm."""
        return is_settled(self._state)

    def ended(self) -> Ended | None:
        """What it came to, by the levels of now; None where none was known."""
        return ended(self._state, self.setting, uncertainty=self._uncertainty)


def ask_attention(folder: Path, guiding: Guiding, *, by: str, utc_ms: int) -> Request:
    """Ask for a top-up's `CLOSER_FOR` s of closer polling, and that lamp and buzzer tell of it.

    To be asked again each `RENEW` s.

    Returns
    -------
    Request
        The one for closer polling.

    Raises
    ------
    RequestError, StoreError
        As for `longsoak.store.requests.ask`.
    """
    if guiding.signals:
        setting = guiding.setting
        ask_guide(folder, setting.reservoir.name, lag=setting.lag, by=by, utc_ms=utc_ms)
    return ask_closer(folder, guiding.closer, by=by, utc_ms=utc_ms)


def top_up_entry(
    *,
    by: str,
    stopped_ms: int,
    asked_ms: int,
    content: dict[str, Json],
    underside: float,
) -> LogbookEntry:
    """The entry of a top-up whose can stopped at a time; see `core.water.entries`.

    It says the clearance that is left below the specimen's `underside`, mm.
    """
    after = content["after_mm"]
    left = None if after is None else clearance(float(str(after)), underside)
    return LogbookEntry(
        asked_utc_ms=asked_ms,
        at_utc_ms=stopped_ms,
        by=by,
        says=top_up_words(content, clearance=left),
        kind=TOP_UP,
        content=content,
    )


def _believed(reading: Reading) -> tuple[float | None, float | None]:
    if reading.flag in (Flag.FAIL, Flag.MISSING):
        return None, None
    return reading.value, reading.uncertainty
