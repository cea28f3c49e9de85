"""Everything latest as one plain document, for programs."""

from longsoak.core.cautions import cautions
from longsoak.core.recency import stale_after_ms
from longsoak.core.water.vessel import volume
from longsoak.core.wording import bound_words, rfc3339
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Probe, Rig
from longsoak_dashboards.api.documents import finite, probe_document
from longsoak_dashboards.source import Snapshot


def latest_document(snapshot: Snapshot) -> dict[str, object]:
    """The latest of every probe, the water and the alarms that ever changed."""
    rig, last = snapshot.rig, snapshot.last_ms
    return {
        "rig": rig.name,
        "invented": rig.invented,
        "rig_version": snapshot.version.number,
        "now": rfc3339(snapshot.now_ms),
        "last_scan": None if last is None else rfc3339(last),
        # A last scan far ahead of the clock says as little as one long past.
        "recording": last is not None and abs(snapshot.now_ms - last) <= stale_after_ms(rig),
        "probes": [_probe(probe, snapshot.readings.get(probe.name)) for probe in rig.probes],
        "water": _water(rig, snapshot),
        "alarms": [
            {
                "key": change.key,
                "state": change.new.value,
                "since": rfc3339(change.utc_ms),
                "since_known": not change.unsure,
                "value": finite(change.value),
                "says": change.says,
                "by": change.by,
            }
            for change in snapshot.alarms.values()
        ],
        "cautions": list(cautions(rig)),
    }


def _probe(probe: Probe, reading: Reading | None) -> dict[str, object]:
    found = probe_document(probe)
    if reading is None:
        return found | {"value": None, "flag": None}
    bound = bound_words(probe.kind, reading.value, reading.as_kept.reason)
    return found | {
        "time": rfc3339(reading.utc_ms),
        "value": finite(reading.value),
        "bound": bound,
        "standard_uncertainty": None if bound else finite(reading.uncertainty),
        "flag": int(reading.flag),
        "flag_word": reading.flag.word,
        "reason": reading.reason.words or None,
        "raw": finite(reading.raw),
        "raw_unit": reading.raw_unit,
    }


def _water(rig: Rig, snapshot: Snapshot) -> dict[str, object] | None:
    if rig.reservoir is None:
        return None
    reading = snapshot.readings.get(rig.reservoir.level)
    if reading is None or reading.value is None or reading.flag is Flag.FAIL:
        return {"level_mm": None, "clearance_mm": None, "volume_l": None}
    return {
        "level_mm": reading.value,
        "clearance_mm": rig.specimen.underside - reading.value,
        "volume_l": volume(reading.value, rig.reservoir.depth_table),
    }
