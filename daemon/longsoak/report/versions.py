"""The versions of a record's rig file, and which of them its values are shown under."""

from longsoak.rigfile.load import parse
from longsoak.store.overlay import flags_over
from longsoak.store.reader import Record, RigVersion
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.rig import Rig


class Versions:
    """Those of one record, oldest first, each read once.

    Raises
    ------
    StoreError
        The record can't be read.
    """

    def __init__(self, record: Record) -> None:
        self._folder = record.folder
        self.all = record.rig_versions()
        self._again = record.derivation()
        self._rigs: dict[int, Rig] = {}

    def rig(self, version: RigVersion) -> Rig:
        """What a version says."""
        if version.number not in self._rigs:
            self._rigs[version.number] = parse(version.text, file="rig.toml", find_kind=None)
        return self._rigs[version.number]

    def shown_under(self, at_ms: int) -> RigVersion:
        """The version that values of a time are shown under, UTC; there has to be one.

        It is the one there was then, or the first, or the one that all was converted again under.
        """
        if self._again is not None and at_ms <= self._again.last_utc_ms:
            return next(v for v in self.all if v.number == self._again.rig_version)
        return ([v for v in self.all if v.accepted_utc_ms <= at_ms] or self.all[:1])[-1]

    def over(self, *, now_ms: int) -> list[HandFlag]:
        """What lies over readings by the newest version, the one that counts first.

        Raises
        ------
        StoreError
            The record can't be read.
        """
        newest = [self.rig(version) for version in self.all[-1:]]
        return [flag for rig in newest for flag in flags_over(self._folder, rig, now_ms=now_ms)]
