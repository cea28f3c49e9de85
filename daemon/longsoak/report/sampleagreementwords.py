"""Pins held against samples, in words and as a document. Pure."""

from longsoak.core.findings.estimate import Estimate
from longsoak.core.uptake import Undetermined
from longsoak.report.sampleagreement import SampleAgreement, SamplePair

COLUMNS = ("sample", "bay", "pins", "dried", "embedded", "difference", "explained")
RIGHT = "dried embedded difference"
FOOT = (
    "dried and embedded in % of the dry mass, ± twice the standard uncertainty; difference: "
    "embedded less dried; explained: by both uncertainties together"
)


def pair_row(pair: SamplePair) -> tuple[str, ...]:
    """A pair in a row, as `COLUMNS`."""
    sample = pair.sample
    doubt = "" if sample.uncertainty is None else f" ± {2 * sample.uncertainty:.1f}"
    return (
        sample.identity,
        sample.bay,
        pair.probe,
        f"{pair.moisture:.1f}{doubt}",
        f"{pair.embedded:.1f} ± {2 * pair.uncertainty:.1f}",
        f"{pair.difference:+z.1f}",
        "yes" if pair.explained else "no",
    )


def sentences(found: SampleAgreement) -> list[str]:
    """What all pairs come to, and which samples are in no number."""
    said = []
    if isinstance(found.agreement, Undetermined):
        if found.pairs:
            said.append(f"No limits of agreement: {found.agreement.why}.")
    else:
        agreement = found.agreement
        said.append(
            f"Embedded less dried is {_of(agreement.bias)} % MC in the mean; 95 % of single "
            f"differences lie between {_of(agreement.lower)} and {_of(agreement.upper)} % MC "
            "(limits of agreement, each with its 95 % interval)."
        )
    said += [f"Left out: {sample.identity}, {why}." for sample, why in found.left_out]
    return said


def sample_agreement_document(found: SampleAgreement) -> dict[str, object]:
    """All of it for programs: values in % of the dry mass, lengths in mm."""
    agreement = found.agreement
    limits: dict[str, object] | None = None
    if not isinstance(agreement, Undetermined):
        parts = (("bias", agreement.bias), ("lower", agreement.lower), ("upper", agreement.upper))
        limits = {n: {"value": e.value, "low": e.low, "high": e.high} for n, e in parts}
    return {
        "pairs": [
            {
                "number": pair.sample.number,
                "identity": pair.sample.identity,
                "bay": pair.sample.bay,
                "probe": pair.probe,
                "probe_depth_mm": pair.depth,
                "curve": pair.curve,
                "moisture": pair.moisture,
                "moisture_standard_uncertainty": pair.sample.uncertainty,
                "embedded": pair.embedded,
                "embedded_standard_uncertainty": pair.uncertainty,
                "embedded_readings": pair.count,
                "difference": pair.difference,
                "explained": pair.explained,
            }
            for pair in found.pairs
        ],
        "left_out": [
            {"number": sample.number, "identity": sample.identity, "says": why}
            for sample, why in found.left_out
        ],
        "agreement": limits,
        "by_depth": [
            {"depth_mm": each.depth, "mean": each.mean, "pairs": each.pairs}
            for each in found.by_depth
        ],
    }


def _of(found: Estimate) -> str:
    return f"{found.value:+z.1f} ({found.low:+z.1f} to {found.high:+z.1f})"
