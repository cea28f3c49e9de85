"""Embedded pins held against samples that were cut out beside them: what checks the curve."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot
from statistics import fmean

from longsoak.core.findings.agreement import (
    Agreement,
    DepthBias,
    Pair,
    bias_by_depth,
    limits_of_agreement,
)
from longsoak.core.samples import Sample, samples
from longsoak.core.uptake import Undetermined
from longsoak.report.embedded import HALF_MS, flagged_readings, usable
from longsoak.report.versions import Versions
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.handrule import HEIGHT_WITHIN
from longsoak.vocabulary.logbook import SAMPLE
from longsoak.vocabulary.rig import Kind, Probe, Quantity, Rig

_COVERAGE = 2.0  # standard uncertainties, for about 95 % (JCGM 100, 6.3.3, from memory)


@dataclass(frozen=True, slots=True)
class SamplePair:
    """A dried sample and embedded pins beside it, in % of the dry mass.

    `embedded` is the mean of `count` readings of the hour in which it was cut, and `uncertainty`
    theirs, standard: what the curve leaves uncertain does not average out.
    """

    sample: Sample
    probe: str
    curve: str
    depth: float
    moisture: float
    embedded: float
    uncertainty: float
    count: int

    @property
    def difference(self) -> float:
        """Embedded less sample."""
        return self.embedded - self.moisture

    @property
    def explained(self) -> bool:
        """Whether what both leave uncertain explains the difference."""
        both = hypot(self.uncertainty, self.sample.uncertainty or 0.0)
        return abs(self.difference) <= _COVERAGE * both


@dataclass(frozen=True, slots=True)
class SampleAgreement:
    """All pairs, and what they come to; `left_out` are samples with why, in words."""

    pairs: tuple[SamplePair, ...]
    left_out: tuple[tuple[Sample, str], ...]
    agreement: Agreement | Undetermined
    by_depth: tuple[DepthBias, ...]


def sample_agreement(record: Record, *, now_ms: int) -> SampleAgreement:
    """Hold the pins beside every sample against it.

    Only pins that read moisture content are: a wood-equivalent in another material, or what a
    dowel holds, is no water content of what was cut out.

    Parameters
    ----------
    record : Record
        Read while it may be written.
    now_ms : int
        UTC now.

    Raises
    ------
    StoreError
        The record can't be read.
    """
    pairs: list[SamplePair] = []
    left_out: list[tuple[Sample, str]] = []
    versions = Versions(record)
    over = versions.over(now_ms=now_ms)
    for sample in samples(Logbook(record.folder).entries(kind=SAMPLE)):
        rig = versions.rig(versions.shown_under(sample.at_ms))
        _hold(record, sample, rig, over, pairs, left_out)
    both = [
        Pair(pair.embedded, pair.moisture, f"{pair.probe} {pair.depth:g}", pair.depth)
        for pair in pairs
    ]
    return SampleAgreement(
        tuple(pairs), tuple(left_out), limits_of_agreement(both), bias_by_depth(both)
    )


def _hold(
    record: Record,
    sample: Sample,
    rig: Rig,
    over: Sequence[HandFlag],
    pairs: list[SamplePair],
    left_out: list[tuple[Sample, str]],
) -> None:
    moisture = sample.moisture
    if moisture is None:
        left_out.append((sample, "it was not dried yet"))
        return
    probes = _beside(sample, rig)
    if isinstance(probes, str):
        left_out.append((sample, probes))
        return
    read = flagged_readings(
        record, probes, over, since_ms=sample.at_ms - HALF_MS, until_ms=sample.at_ms + HALF_MS
    )
    for probe in probes:
        good, why = usable(read[probe.name])
        if why is not None:
            left_out.append((sample, f"{probe.name}: {why}"))
            continue
        pairs.append(
            SamplePair(
                sample=sample,
                probe=probe.name,
                curve=probe.curve or "",
                depth=probe.depth or 0.0,
                moisture=moisture,
                embedded=fmean([each.value for each in good if each.value is not None]),
                uncertainty=fmean([each.uncertainty or 0.0 for each in good]),
                count=len(good),
            )
        )


def _beside(sample: Sample, rig: Rig) -> list[Probe] | str:
    """The pins in a sample's depth and near its height, or why there are none."""
    start, end = sample.depth
    own = [
        probe
        for probe in rig.probes
        if probe.kind is Kind.PINS
        and probe.bay == sample.bay
        and probe.depth is not None
        and probe.height is not None
        and start <= probe.depth <= end
        and (rig.specimen.lies or abs(probe.height - sample.height) <= HEIGHT_WITHIN)
        and (not rig.specimen.lies or _near_across(sample, probe))
    ]
    if not own:
        return f"no embedded pins in its depth within {HEIGHT_WITHIN:g} mm of it"
    found = [probe for probe in own if probe.quantity is Quantity.MOISTURE_CONTENT]
    return found or f"{own[0].name} read {own[0].quantity}, which is no water content of it"


def _near_across(sample: Sample, probe: Probe) -> bool:
    if sample.across is None or probe.across is None:
        return False
    return abs(probe.across - sample.across) <= HEIGHT_WITHIN
