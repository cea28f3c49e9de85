"""Which scans are kept: all, except looks at a watched probe that showed nothing new."""

from collections.abc import Iterable
from math import isnan

from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.reading import Scan
from longsoak.vocabulary.rig import Rig


class Keeping:
    """Remembers what was kept last of each watched probe.

    A level is looked at every few seconds but kept on a change beyond its resolution, on a change
    of flag, and once each record period; a commit per look would wear the card out.
    """

    def __init__(self, rig: Rig) -> None:
        self._watched = {probe.name: probe for probe in rig.probes if probe.record > probe.every}
        self._kept: dict[str, tuple[float, Flag, int]] = {}
        self._all_until: dict[str, float] = {}

    def closer(self, probes: Iterable[str], *, until: float) -> None:
        """Keep every reading of some probes until a time, CLOCK_BOOTTIME in s."""
        self._all_until.update(dict.fromkeys(probes, until))

    def wants(self, scan: Scan) -> bool:
        """Whether anything in the scan is due to be kept."""
        if self._watched.keys().isdisjoint(scan.probes):
            return bool(scan.probes)
        return any(
            self._new(probe, scan.values[i], scan.flags[i], scan.boottime_ms)
            for i, probe in enumerate(scan.probes)
        )

    def kept(self, scan: Scan) -> None:
        """Note that the scan is kept."""
        for probe in self._watched.keys() & scan.probes:
            i = scan.probes.index(probe)
            self._kept[probe] = (scan.values[i], scan.flags[i], scan.boottime_ms)

    def _new(self, name: str, value: float, flag: Flag, boottime_ms: int) -> bool:
        probe = self._watched.get(name)
        if probe is None or name not in self._kept:
            return True
        if boottime_ms < self._all_until.get(name, 0.0) * 1000:
            return True
        last, last_flag, at = self._kept[name]
        if flag is not last_flag or isnan(value) != isnan(last):
            return True
        changed = abs(value - last) >= probe.resolution
        return changed or boottime_ms - at >= probe.record * 1000
