"""Looks at places of the usual rig, with and without photos; all invented."""

from longsoak.core.gradescales import G21, PLAIN
from longsoak.core.observations import SeenAt, observation_content
from longsoak.store.logbook import Logbook
from longsoak.store.photos import keep_photo
from longsoak.store.thumbnails import keep_seen
from longsoak.store.writer import Batch
from longsoak.vocabulary.logbook import OBSERVATION, About, LogbookEntry, Subject
from longsoak.vocabulary.observation import Face
from pages.pagerig import DAY_MS, NOW_MS, Kept
from pages.pictures import png
from pages.serving import now_ms

FOOT = SeenAt("plain lime", Face.DRY, low=0, high=120)


def looks(kept: Kept) -> None:
    """Five looks at two places, a week apart, some with photos, one of them lost."""
    entries, last = [], Logbook(kept.folder).last()
    for n, (at, of, scale, grade) in enumerate(
        (
            (FOOT, "growth", G21, 0),
            (FOOT, "growth", G21, 0),
            (FOOT, "growth", G21, 1),
            (SeenAt("cork-lime", depth=30), "salt bloom", PLAIN, 2),
            (FOOT, "growth", G21, 3),
        )
    ):
        at_ms = now_ms() - (36 - 7 * n) * DAY_MS
        photos = [keep_seen(kept.folder, png(640, 480 + n, 40 * n)).sha256]
        photos += [keep_photo(kept.folder, b"\0\0\0\x18ftypheic\0\0\0\0").sha256] if n == 4 else []
        entries.append(
            LogbookEntry(
                asked_utc_ms=at_ms,
                at_utc_ms=at_ms,
                by="wm",
                says=("Clean", "Clean", "Grey tufts by the seal", "Haze", "All along the seal")[n],
                kind=OBSERVATION,
                subject=Subject(About.BAY, at.bay),
                content=observation_content(at, of=of, scale=scale, grade=grade),
                photos=() if n == 1 else ("0" * 64,) if n == 3 else tuple(photos),
                number=last + 1 + n,
                request=f"o{n}",
                kept_utc_ms=at_ms,
                kept_boottime_ms=at_ms - NOW_MS + 400 * DAY_MS,
                synchronised=True,
            )
        )
    kept.writer.commit(Batch(logbook=entries))
