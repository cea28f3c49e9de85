"""The water's sheet while nobody pours: how it stands and where it goes."""

from markupsafe import Markup

from longsoak_dashboards.drawing.water import Water
from longsoak_dashboards.source import Snapshot
from longsoak_dashboards.view import standing


def lead_of(snapshot: Snapshot, water: Water | None) -> tuple[Markup, ...]:
    """The sentences at the head of the sheet."""
    found = (
        standing.unset_sentence(first_ms=snapshot.first_ms, now_ms=snapshot.now_ms),
        standing.recording_sentence(snapshot.rig, last_ms=snapshot.last_ms, now_ms=snapshot.now_ms),
        standing.water_sentence(snapshot.rig, water),
        standing.alarms_sentence(snapshot.alarms),
    )
    return tuple(sentence for sentence in found if sentence)
