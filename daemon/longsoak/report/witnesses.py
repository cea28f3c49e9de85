"""The sections of a report on what people read, saw and answered beside the embedded probes."""

from collections.abc import Iterator, Sequence

from longsoak.core.closing import closing_list
from longsoak.core.observations import (
    Observation,
    Series,
    course_words,
    grade_words,
    observations,
    series_of,
)
from longsoak.core.weighings import remarks, weighing_words, weighings
from longsoak.core.wording import time_words
from longsoak.report import handagreementwords, sampleagreementwords
from longsoak.report.handagreement import hand_agreement
from longsoak.report.paper import Listing, Part, Picture, Plot, Points, Text
from longsoak.report.sampleagreement import sample_agreement
from longsoak.store.reader import Record
from longsoak.store.thumbnails import thumbnail
from longsoak.vocabulary.logbook import LogbookEntry
from longsoak.vocabulary.rig import Rig

_WIDTH = 640  # pixels of a photo
_MOST_PHOTOS = 24  # of what was seen: the first and the last look at each place go first


def held_against(
    record: Record, entries: Sequence[LogbookEntry], now_ms: int, *, on: Rig | None = None
) -> list[Part]:
    """Embedded pins beside readings by hand, round by round, and samples; and weighings.

    Rounds are drawn where they are to be drawn `on` a rig, which takes the extra ``report``.
    """
    return [*_by_hand(record, now_ms, on), *_samples(record, now_ms), *_weighed(entries)]


def _weighed(entries: Sequence[LogbookEntry]) -> Iterator[Part]:
    found = weighings(entries)
    if not found:
        return
    rows = tuple(
        (time_words(e.at_ms), weighing_words(e), f"{e.mass - found[0].mass:+.2f}", e.scale, e.by)
        for e in found
    )
    head = ("when", "mass", "gain, kg", "scale", "by")
    says = ("Gains are over the first.", *remarks(found))
    yield Listing("Weighings of the specimen", says, head, rows, (head[2],))


def _by_hand(record: Record, now_ms: int, on: Rig | None) -> Iterator[Part]:
    found = hand_agreement(record, now_ms=now_ms)
    if not found.rounds:
        yield Text("Nothing was read by hand.", strong=True)
        return
    for each in found.rounds:
        says = (handagreementwords.head_words(each), handagreementwords.FOOT)
        rows = tuple(handagreementwords.map_rows(each.pairs))
        right = tuple(handagreementwords.RIGHT.split())
        columns = handagreementwords.COLUMNS
        yield Listing(f"Round {each.name}", says, columns, rows, right)
        if each.pairs and on is not None:
            from longsoak.report.plots import hand_round

            what = f"Round {each.name}: what was read by hand, above, and by the pins in that hour"
            yield Plot(hand_round(each.pairs, on), f"{what}, below; in % by the pins' curve.", what)
        yield Points(tuple(handagreementwords.round_words(each)))
    if together := handagreementwords.all_words(found):
        yield Points(tuple(together))


def _samples(record: Record, now_ms: int) -> Iterator[Part]:
    found = sample_agreement(record, now_ms=now_ms)
    if not found.pairs and not found.left_out:
        yield Text("No sample was cut out and dried, so that no curve was checked against one.")
        return
    says = (sampleagreementwords.FOOT, *sampleagreementwords.sentences(found))
    rows = tuple(map(sampleagreementwords.pair_row, found.pairs))
    right = tuple(sampleagreementwords.RIGHT.split())
    yield Listing("Samples", says, sampleagreementwords.COLUMNS, rows, right)


def seen(record: Record, entries: Sequence[LogbookEntry]) -> list[Part]:
    """What people saw at each place over time, with the photos they took."""
    found = series_of(observations(entries))
    if not found:
        return [Text("Nothing was looked for: no observation stands in the logbook.", strong=True)]
    parts: list[Part] = []
    left = _MOST_PHOTOS
    for series in found:
        parts.append(_looks(series))
        pictures = list(_photos(record, series))[:left]
        parts += pictures
        left -= len(pictures)
    return parts


def _looks(series: Series) -> Listing:
    rows = tuple(
        (time_words(each.at_ms), grade_words(each), each.says, each.by) for each in series.seen
    )
    title = f"{series.of[0].upper()}{series.of[1:]}: {series.at.words}"
    return Listing(title, (course_words(series),), ("when", "grade", "in words", "by"), rows)


def _photos(record: Record, series: Series) -> Iterator[Picture]:
    """Those of the first and of the last look."""
    first, last = series.seen[0], series.seen[-1]
    for look in (first,) if first is last else (first, last):
        for digest in look.photos:
            jpeg = thumbnail(record.folder, digest, _WIDTH)
            if jpeg is not None:
                yield Picture(jpeg, _caption(look), f"Photo of {look.of}, {look.at.words}")


def _caption(look: Observation) -> str:
    return f"{look.at.words}, {time_words(look.at_ms)}: {grade_words(look)}. {look.says}"


def closing(entries: Sequence[LogbookEntry]) -> Part:
    """The closing list, each item with its answer, or that there is none."""
    rows = []
    for each in closing_list(entries):
        answer = each.answer
        if answer is None:
            rows.append((each.item.asks, "not answered", "", ""))
            continue
        said = answer.says if answer.done else f"not done: {answer.says}"
        rows.append((each.item.asks, said, answer.name, time_words(answer.at_ms)))
    head = ("asked", "answer", "by", "when")
    return Listing("The closing list", (), head, tuple(rows))
