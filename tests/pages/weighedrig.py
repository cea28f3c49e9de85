"""A weighing and two samples of the usual rig, as entries of its logbook; all invented."""

from longsoak.core.samples import sample_said
from longsoak.core.weighings import weighing_content
from longsoak.store.logbook import Logbook
from longsoak.store.writer import Batch
from longsoak.vocabulary.logbook import SAMPLE, THE_RIG, WEIGHING, About, LogbookEntry, Subject
from longsoak.vocabulary.proof import Json
from pages.pagerig import DAY_MS, NOW_MS, Kept
from pages.serving import now_ms

BAY = Subject(About.BAY, "plain lime")
WET: dict[str, Json] = {
    "identity": "K1", "depth_from_mm": 60.0, "depth_to_mm": 80.0, "height_mm": 120.0,
    "across_mm": None, "material": "wood", "dry_cut": True, "sealed": True, "minutes": 4.0,
    "wet_g": 152.3, "dry_g": None, "tare_g": 12.5, "second_dry_g": None, "balance_g": 0.01,
    "oven": None, "note": "",
}  # fmt: skip
DRY: dict[str, Json] = WET | {
    "identity": "L1", "depth_from_mm": 10.0, "depth_to_mm": 30.0, "material": "lime",
    "sealed": False, "dry_g": 128.45, "oven": 110.0,
}  # fmt: skip
WEIGHED = weighing_content(
    (812.4, 812.6, 812.5, 812.4), scale="hoist", gear=14.2, offset=-0.5, pump_off=True,
    drained_min=20.0,
)  # fmt: skip


def weighed(kept: Kept) -> int:
    """A weighing, a sample that is not dry yet and one that is, a day apart; the first's number."""
    first = Logbook(kept.folder).last() + 1
    entries = []
    for n, (kind, subject, content) in enumerate(
        ((WEIGHING, THE_RIG, WEIGHED), (SAMPLE, BAY, WET), (SAMPLE, BAY, DRY))
    ):
        at_ms = now_ms() - (3 - n) * DAY_MS
        entries.append(
            LogbookEntry(
                asked_utc_ms=at_ms,
                at_utc_ms=at_ms,
                by="mk",
                says="Lifted by the hoist" if kind == WEIGHING else sample_said(BAY.name, content),
                kind=kind,
                subject=subject,
                content=content,
                number=first + n,
                request=f"w{n}",
                kept_utc_ms=at_ms,
                kept_boottime_ms=at_ms - NOW_MS + 400 * DAY_MS,
                synchronised=True,
            )
        )
    kept.writer.commit(Batch(logbook=entries))
    return first
