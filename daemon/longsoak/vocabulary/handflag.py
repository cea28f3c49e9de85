"""A flag that lies over readings: somebody set it by hand, or a contact with the water did."""

from dataclasses import dataclass

from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.logbook import Subject


@dataclass(frozen=True, slots=True)
class HandFlag:
    """Readings of `subject` from `from_ms` on, before `until_ms` (None: from then on), UTC ms.

    `number` is that of the logbook entry it stands in, which `by` wrote at `kept_ms`; 0, with
    another `reason`, where nobody did.
    """

    number: int
    subject: Subject
    from_ms: int
    until_ms: int | None
    flag: Flag
    by: str
    says: str
    kept_ms: int
    reason: Reason = Reason.BY_HAND

    def covers(self, utc_ms: int) -> bool:
        """Whether a time is in it."""
        return self.from_ms <= utc_ms and (self.until_ms is None or utc_ms < self.until_ms)
