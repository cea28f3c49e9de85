"""Pins held against samples cut out beside them, from a record."""

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from longsoak.core.findings.agreement import Agreement
from longsoak.core.uptake import Undetermined
from longsoak.report.sampleagreement import SampleAgreement, sample_agreement
from longsoak.report.sampleagreementwords import pair_row, sample_agreement_document, sentences
from longsoak.store.reader import Record
from longsoak.store.writer import Batch
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.logbook import SAMPLE, About, LogbookEntry, Subject
from longsoak.vocabulary.proof import Json
from pages.pagerig import DAY_MS, NOW_MS, Wrong, keep

BAY = "plain lime"
CUT = NOW_MS - DAY_MS
DRY = 100.0  # g, so that a gram of water is one per cent
HEIGHTS = (60, 160, 260, 360)
READ = {(depth, height): 15.0 + n for n, (depth, height) in enumerate(
    (depth, height) for depth in (90, 170) for height in HEIGHTS
)}  # fmt: skip


def cut(
    number: int, depth: float, height: float, moisture: float | None, *, at_ms: int = CUT
) -> LogbookEntry:
    content: dict[str, Json] = {
        "identity": f"K{number}", "depth_from_mm": depth - 10, "depth_to_mm": depth + 10,
        "height_mm": height, "across_mm": None, "material": "wood", "dry_cut": True,
        "sealed": True, "minutes": 4.0, "wet_g": DRY + (moisture or 0.0), "dry_g": DRY,
        "tare_g": None, "second_dry_g": None, "balance_g": 0.01, "oven": 103.0, "note": "",
    }  # fmt: skip
    if moisture is None:
        content |= {"dry_g": None, "oven": None}
    return LogbookEntry(
        asked_utc_ms=at_ms, at_utc_ms=at_ms, by="mk", says="A sample", kind=SAMPLE,
        subject=Subject(About.BAY, BAY), content=content, number=number, request=f"s{number}",
        kept_utc_ms=at_ms, synchronised=True,
    )  # fmt: skip


@contextmanager
def held(
    folder: Path, entries: Sequence[LogbookEntry], wrong: Mapping[str, Wrong] | None = None
) -> Iterator[SampleAgreement]:
    values = {f"{BAY} {d}/{h}": Wrong(Flag.PASS, value=v) for (d, h), v in READ.items()}
    rig = keep(
        folder / "rig", times=range(CUT - DAY_MS, NOW_MS, 900_000), wrong=values | dict(wrong or {})
    )
    rig.writer.commit(
        Batch(logbook=[replace(e, kept_boottime_ms=e.kept_utc_ms - NOW_MS) for e in entries])
    )
    try:
        yield sample_agreement(Record(rig.folder), now_ms=NOW_MS)
    finally:
        rig.close()


def test_pins_beside_samples_are_held_against_them(tmp_path: Path) -> None:
    offs = [0.5, -0.2, 0.3, 1.4, 0.1, 0.6, -0.1, 0.4]
    entries = [
        cut(n, depth, height, value - off)
        for n, (((depth, height), value), off) in enumerate(zip(READ.items(), offs, strict=True), 1)
    ]
    with held(tmp_path, entries) as found:
        assert found.left_out == ()
        assert [pair.difference for pair in found.pairs] == pytest.approx(offs, abs=1e-5)
        # Pins' standard uncertainty is 0.45 in this record: twice that explains all but one.
        assert [pair.explained for pair in found.pairs].count(False) == 1
        assert isinstance(found.agreement, Agreement)
        assert found.agreement.bias.value == pytest.approx(sum(offs) / 8, abs=1e-5)
        assert pair_row(found.pairs[3]) == (
            "K4", BAY, "plain lime 90/360", "16.6 ± 0.0", "18.0 ± 0.9", "+1.4", "no"
        )  # fmt: skip
        assert sentences(found)[0].startswith("Embedded less dried is +0.4 (")
        document = json.loads(json.dumps(sample_agreement_document(found)))
        assert len(document["pairs"]) == 8
        assert document["pairs"][0]["curve"] == "Douglas-fir (coast)"


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        (cut(1, 90, 60, None), "it was not dried yet"),
        (cut(1, 130, 60, 17.0), "no embedded pins in its depth within 30 mm of it"),
        (cut(1, 90, 110, 17.0), "no embedded pins in its depth within 30 mm of it"),
        (cut(1, 30, 60, 17.0), "read wood-equivalent, which is no water content of it"),
        (cut(1, 90, 60, 17.0, at_ms=CUT - 5 * DAY_MS), "nothing was read within half an hour"),
    ],
)
def test_what_can_not_be_held_against_pins_is_told_with_why(
    tmp_path: Path, entry: LogbookEntry, says: str
) -> None:
    with held(tmp_path, [entry]) as found:
        assert found.pairs == ()
        assert isinstance(found.agreement, Undetermined)
        assert [why.endswith(says) for _, why in found.left_out] == [True]


def test_pins_that_were_flagged_check_no_curve(tmp_path: Path) -> None:
    odd = {f"{BAY} 90/60": Wrong(Flag.FAIL, Reason.OPEN_CIRCUIT)}
    with held(tmp_path, [cut(1, 90, 60, 17.0)], odd) as found:
        assert "fail: open circuit" in found.left_out[0][1]
