"""When silence of the whole record means that nobody is recording."""

from longsoak.vocabulary.rig import Rig


def stale_after_ms(rig: Rig) -> float:
    """The age of the last scan, ms, beyond which the record has stopped growing.

    Two and a half times the shortest time after which something is always kept, and not under
    half a minute, so that one slow pass is not told as a stop.
    """
    shortest = min((probe.record for probe in rig.probes), default=60.0)
    return max(30_000.0, 2_500.0 * shortest)
