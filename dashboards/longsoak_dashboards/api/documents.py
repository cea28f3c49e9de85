"""The rig, its alarms and its gaps as plain documents: times RFC 3339 UTC, units UCUM. Pure."""

from collections.abc import Mapping, Sequence
from math import isfinite

from longsoak.core.cautions import cautions
from longsoak.core.wording import rfc3339
from longsoak.core.zones import spots_of
from longsoak.store.reader import RigVersion
from longsoak.vocabulary.alarm import AlarmState, StoredChange
from longsoak.vocabulary.alarmplan import AlarmPlan
from longsoak.vocabulary.happening import RunGap
from longsoak.vocabulary.rig import (
    LIMIT_UNIT,
    UNIT,
    Bay,
    Limit,
    Probe,
    Reservoir,
    Rig,
    Specimen,
)

Document = dict[str, object]


def finite(value: float | None) -> float | None:
    """A number as JSON can hold it: what is infinite, such as an open wire's ohms, is none."""
    return value if value is not None and isfinite(value) else None


def probe_document(probe: Probe) -> Document:
    """Which probe it is: where it sits, and what a value of it is in and of."""
    return {
        "probe": probe.name,
        "kind": probe.kind.value,
        "unit": UNIT[probe.kind],
        "quantity": None if probe.quantity is None else probe.quantity.value,
        "bay": probe.bay,
        "depth_mm": probe.depth,
        "height_mm": probe.height,
    }


def rig_document(rig: Rig, version: RigVersion, versions: Sequence[RigVersion]) -> Document:
    """A rig as its file declared it in a version, and what versions there are."""
    return {
        "rig": rig.name,
        "invented": rig.invented,
        "start": None if rig.start is None else rig.start.isoformat(),
        "time_zone": rig.time_zone,
        "version": _version(version),
        "versions": [_version(each) for each in versions],
        "specimen": _specimen(rig.specimen),
        "reservoir": None if rig.reservoir is None else _reservoir(rig.reservoir),
        "probes": [_declared(probe) for probe in rig.probes],
        "limits": [_limit(limit, rig) for limit in rig.limits],
        "cautions": list(cautions(rig)),
    }


def alarm_documents(rig: Rig, changes: Mapping[str, StoredChange]) -> list[Document]:
    """Every alarm of a rig as it is now, and those that its file had once."""
    plans = {plan.key: plan for plan in rig.alarms}
    keys = [*plans, *(key for key in changes if key not in plans)]
    return [_alarm(key, plans.get(key), changes.get(key)) for key in keys]


def change_document(change: StoredChange, plan: AlarmPlan | None) -> Document:
    """One change of an alarm."""
    return {
        "number": change.id,
        "at": rfc3339(change.utc_ms),
        "at_known": not change.unsure,
        "alarm": change.key,
        "title": None if plan is None else plan.title,
        "from_state": change.old.value,
        "state": change.new.value,
        "standing": change.new.standing,
        "value": finite(change.value),
        "unit": None if plan is None or change.value is None else plan.unit or None,
        "says": change.says,
        "by": change.by,
        "hiding": None if change.hiding is None else change.hiding.value,
        "hidden_until": None if change.until_utc_ms is None else rfc3339(change.until_utc_ms),
        "told": change.told,
    }


def gap_document(gap: RunGap) -> Document:
    """A time without readings between two runs."""
    return {
        "from": rfc3339(gap.from_utc_ms),
        "to": rfc3339(gap.to_utc_ms),
        "stopped": gap.clean,
        "length_s": None if gap.length_ms is None else gap.length_ms / 1000,
    }


def _version(version: RigVersion) -> Document:
    return {"number": version.number, "accepted": rfc3339(version.accepted_utc_ms)}


def _specimen(specimen: Specimen) -> Document:
    edges = specimen.edges
    return {
        "height_mm": specimen.height,
        "width_mm": specimen.width,
        "underside_mm": specimen.underside,
        "wet_face": specimen.wet_face.value,
        "breadth_mm": specimen.breadth,
        "edges": {
            "top": edges.top.value,
            "bottom": edges.bottom.value,
            "left": edges.left.value,
            "right": edges.right.value,
        },
        "between_bays": [boundary.value for boundary in specimen.between_bays],
        "bays": [_bay(bay) for bay in specimen.bays],
    }


def _bay(bay: Bay) -> Document:
    return {
        "bay": bay.name,
        "from_mm": bay.start,
        "to_mm": bay.end,
        "layers": [
            {
                "layer": layer.name,
                "material": layer.material.value,
                "thickness_mm": layer.thickness,
                "mould_class": layer.mould_class,
                "mould_decline": layer.mould_decline,
            }
            for layer in bay.layers
        ],
    }


def _reservoir(reservoir: Reservoir) -> Document:
    return {
        "reservoir": reservoir.name,
        "level_probe": reservoir.level,
        "float_probe": reservoir.float_switch,
        "depth_table": [
            {"depth_mm": depth, "volume_l": volume} for depth, volume in reservoir.depth_table
        ],
        "length_mm": reservoir.length,
        "breadth_mm": reservoir.breadth,
        "rim_mm": reservoir.rim,
        "stop_mm": reservoir.stop,
        "pump_needs_mm": reservoir.pump_needs,
        "splash_mm": reservoir.splash,
    }


def _declared(probe: Probe) -> Document:
    return {
        **probe_document(probe),
        "across_mm": probe.across,
        "place": probe.place,
        "bus": probe.bus,
        "every_s": probe.every,
        "record_s": probe.record,
        "curve": probe.curve,
        "temperature_probes": list(probe.temperatures),
    }


def _limit(limit: Limit, rig: Rig) -> Document:
    zone = limit.zone
    return {
        "limit": limit.name,
        "quantity": limit.quantity.value,
        "unit": LIMIT_UNIT[limit.quantity],
        "bay": zone.bay,
        "layer": zone.layer,
        "depth_mm": None if zone.depth is None else list(zone.depth),
        "height_mm": None if zone.height is None else list(zone.height),
        "probes": [list(spot.probes) for spot in spots_of(limit, rig)],
        "side": limit.side.value,
        "bound": limit.bound,
        "above": None if limit.above is None else limit.above.value,
        "statistic": limit.statistic.value,
        "window_h": limit.window,
        "longest_h": limit.longest,
        "coverage": limit.coverage,
        "phases": list(limit.phases),
        "rule": limit.rule.value,
        "risk": limit.risk,
        "source": limit.source,
    }


def _alarm(key: str, plan: AlarmPlan | None, change: StoredChange | None) -> Document:
    state = AlarmState.NORMAL if change is None else change.new
    hiding = None if change is None else change.hiding
    until = None if change is None else change.until_utc_ms
    return {
        "alarm": key,
        "title": None if plan is None else plan.title,
        "watch": None if plan is None else plan.watch.value,
        "subject": None if plan is None else plan.subject,
        "priority": None if plan is None else plan.priority.value,
        "setpoint": None if plan is None else finite(plan.setpoint),
        "unit": None if plan is None else plan.unit or None,
        "state": state.value,
        "standing": state.standing,
        "since": None if change is None else rfc3339(change.utc_ms),
        "since_known": change is not None and not change.unsure,
        "value": None if change is None else finite(change.value),
        "says": None if change is None else change.says,
        "by": None if change is None else change.by,
        "hiding": None if hiding is None else hiding.value,
        "hidden_until": None if until is None else rfc3339(until),
        "consequence": None if plan is None else plan.consequence,
        "actions": [] if plan is None else list(plan.actions),
    }
