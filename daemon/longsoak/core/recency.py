"""When silence of the whole record means that nobody is recording."""

from longsoak.vocabulary.rig import Probe, Rig


def stale_after_ms(rig: Rig) -> float:
    """The age of the last scan, ms, beyond which the record has stopped growing.

    Two and a half times the shortest time after which something is always kept, and not under
    half a minute, so that one slow pass is not told as a stop.
    """
    shortest = min((probe.record for probe in rig.probes), default=60.0)
    return max(30_000.0, 2_500.0 * shortest)


def verified_within_s(rig: Rig) -> float:
    """How old the newest scan may be, s, while it still shows that the rig is being recorded.

    Three times the shortest time after which something is always kept, and not under a minute: one
    slow pass, and one that is lost, are no silence. Common practice.
    """
    shortest = min((probe.record for probe in rig.probes), default=60.0)
    return max(60.0, 3.0 * shortest)


def patience_ms(probe: Probe) -> int:
    """How old a probe's last reading may be, ms, and still stand for a moment.

    Three times as long as it may take until another is kept, and not under half a minute.
    """
    return round(max(30.0, 3.0 * probe.record) * 1000)
