"""Pieces cut out of the specimen and dried in an oven: as logbook entries, and judged. Pure."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import isfinite

from longsoak.core.gravimetry import Weighing, moisture, moisture_uncertainty
from longsoak.core.handreadings import LONGEST_LINE, LONGEST_NOTE, Place, beyond, number_in
from longsoak.core.logbookwords import speaks_of_ms
from longsoak.core.wording import rfc3339
from longsoak.vocabulary.errors import PhysicsError, RequestError
from longsoak.vocabulary.logbook import SAMPLE, About, LogbookEntry
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import Rig

WOOD, GYPSUM, LIME, MINERAL = "wood", "gypsum", "lime", "mineral"
# The oven's usual temperature for each material, degC. Wood: 103 +/- 2, ISO 13061-1, from memory.
# Lime and other mineral materials: 105 +/- 2, ISO 12570, from memory. What bears gypsum gives off
# its crystal water above that: 40 to 45, common practice.
OVEN: Mapping[str, tuple[float, float]] = {
    WOOD: (101.0, 105.0),
    GYPSUM: (40.0, 45.0),
    LIME: (103.0, 107.0),
    MINERAL: (103.0, 107.0),
}
_NUMBERS: Mapping[str, tuple[float, float, str, bool]] = {
    "depth_from_mm": (0.0, 1e5, "mm", True),
    "depth_to_mm": (0.0, 1e5, "mm", True),
    "height_mm": (0.0, 1e5, "mm", True),
    "across_mm": (0.0, 1e5, "mm", False),
    "minutes": (0.0, 1e5, "min", True),
    "oven": (20.0, 200.0, "°C", False),
    "wet_g": (1e-3, 1e6, "g", True),
    "dry_g": (1e-3, 1e6, "g", False),
    "tare_g": (0.0, 1e6, "g", False),
    "second_dry_g": (1e-3, 1e6, "g", False),
    "balance_g": (1e-6, 1e3, "g", False),
}
_FIELDS = frozenset({"identity", "material", "dry_cut", "sealed", "note", *_NUMBERS})
# What a sample says as soon as it is cut and weighed, in the order in which it is asked for.
AT_ONCE = (
    *("bay", "identity", "depth_from_mm", "depth_to_mm", "height_mm", "material", "dry_cut"),
    *("sealed", "minutes", "wet_g"),
)
# The usual caution; work on what is dangerous is for whoever is licensed for it.
CAUTION = (
    "Keep off wires and pipes when you cut. Dust may hold mould, silica or asbestos: wear what "
    "your local rules ask, and leave what they leave to licensed people."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """A sample that counts. Lengths in mm, masses in g, `oven` in degC; None is not known yet.

    `dry_cut` is whether it was cut without water, `sealed` whether it was sealed at once, `minutes`
    how long until it lay on the balance. `second_dry` is a dry mass weighed again at the end of the
    test: lime takes up carbon dioxide meanwhile. `balance` is the standard uncertainty of a
    weighing.
    """

    number: int
    at_ms: int
    by: str
    bay: str
    identity: str
    depth: tuple[float, float]
    height: float
    across: float | None
    material: str
    dry_cut: bool
    sealed: bool
    minutes: float
    oven: float | None
    wet: float
    dry: float | None
    tare: float | None
    second_dry: float | None
    balance: float | None
    note: str

    @property
    def moisture(self) -> float | None:
        """Water as a share of the dry mass, %; None while it was not dried."""
        return None if self.dry is None else moisture(Weighing(self.wet, self.dry, self.tare))

    @property
    def second_moisture(self) -> float | None:
        """The same by the dry mass that was weighed again."""
        if self.second_dry is None:
            return None
        return moisture(Weighing(self.wet, self.second_dry, self.tare))

    @property
    def uncertainty(self) -> float | None:
        """What the balance leaves uncertain of it, standard, % MC; None where that is not told."""
        if self.dry is None or self.balance is None:
            return None
        weighing = Weighing(self.wet, self.dry, self.tare)
        return moisture_uncertainty(weighing, balance=self.balance)


def whole_content(
    said: Mapping[str, Json], *, bay: str | None, called: Mapping[str, str], no_sample: int | None
) -> dict[str, Json]:
    """What the entry of a sample holds that takes nothing from another entry.

    Parameters
    ----------
    said : mapping
        What was said of it; None is not said.
    bay : str, optional
        The bay it was cut from.
    called : mapping
        What each of `AT_ONCE` is called where it is asked for.
    no_sample : int, optional
        The number of an entry that was to be completed and is no sample.

    Raises
    ------
    RequestError
        What is missing.
    """
    every = {**said, "bay": bay}
    if missing := dict.fromkeys(called[name] for name in AT_ONCE if every[name] is None):
        what = "" if no_sample is None else f" Entry {no_sample} is no sample to complete."
        raise RequestError(f"A sample also needs {', '.join(missing)}.{what} Nothing was kept.")
    return {**said, "note": said["note"] or ""}


def completed_content(was: LogbookEntry, said: Mapping[str, Json]) -> dict[str, Json]:
    """What the entry of a sample holds that completes another: what is not said again stays."""
    return {name: was.content[name] if value is None else value for name, value in said.items()}


def wrong_content(entry: LogbookEntry) -> str | None:
    """What is wrong with an entry of the kind "sample"; None if nothing is."""
    content = entry.content
    if entry.subject.about is not About.BAY:
        return "A sample is of a bay: name it"
    if content.keys() != _FIELDS:
        return f"A sample has {', '.join(sorted(_FIELDS))}"
    identity, note = content["identity"], content["note"]
    if not isinstance(identity, str) or not identity.strip() or not identity.isprintable():
        return "A sample has an identity, the one written on it"
    if len(identity) > LONGEST_LINE:
        return f"A sample's identity is one line of up to {LONGEST_LINE} characters"
    if not isinstance(note, str) or len(note) > LONGEST_NOTE:
        return f"The note of a sample has up to {LONGEST_NOTE} characters"
    if content["material"] not in OVEN:
        return f"The material of a sample is one of {', '.join(OVEN)}"
    for name, what in (("dry_cut", "cut dry"), ("sealed", "sealed at once")):
        if not isinstance(content[name], bool):
            return f"Say whether the sample was {what}"
    for name, (least, most, unit, needed) in _NUMBERS.items():
        value = content[name]
        if value is None and not needed:
            continue
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if not number or not isfinite(float(str(value))) or not least <= float(str(value)) <= most:
            what = name.removesuffix("_mm").removesuffix("_g").replace("_", " ")
            more = "" if needed else ", or left out"
            return f"The {what} of a sample is {least:g} to {most:g} {unit}{more}, not {value}"
    return _at_odds(content)


def _at_odds(content: Mapping[str, Json]) -> str | None:
    """What of a sample's numbers can't be together."""
    start, end = (float(str(content[name])) for name in ("depth_from_mm", "depth_to_mm"))
    if start >= end:
        return f"A sample reaches from one depth to a larger one, not from {start:g} to {end:g} mm"
    if (content["dry_g"] is None) != (content["oven"] is None):
        return "A dry mass and the oven's temperature belong together: say both"
    if content["second_dry_g"] is not None and content["dry_g"] is None:
        return "A second dry mass comes after a first one: say that too"
    for name in ("dry_g", "second_dry_g"):
        if (dry := number_in(content[name])) is None:
            continue
        try:
            moisture(Weighing(float(str(content["wet_g"])), dry, number_in(content["tare_g"])))
        except PhysicsError as error:
            return f"These masses are of no sample: {str(error).rstrip('.')}"
    return None


def outside(entry: LogbookEntry, rig: Rig) -> str | None:
    """What to say of a sample that is not inside its bay; None if it is."""
    bay = next((bay for bay in rig.specimen.bays if bay.name == entry.subject.name), None)
    if bay is None:
        return None
    sample = _sample(entry)
    start, end = sample.depth
    if end > bay.thickness:
        return f"{end:g} mm from the wet face is outside: {bay.name} is {bay.thickness:g} mm thick"
    return beyond(Place((start + end) / 2, sample.height, sample.across), bay, rig.specimen)


def check_identity(entry: LogbookEntry, known: Iterable[LogbookEntry]) -> None:
    """Refuse a second sample of one identity.

    Raises
    ------
    RequestError
        Which entry has it, and how to mend it.
    """
    name = str(entry.content["identity"])
    for other in samples(known):
        if other.identity == name and other.number != entry.corrects:
            raise RequestError(
                f"Entry {other.number} is a sample {name!r} already: give this one another "
                f"identity, or correct entry {other.number}. Nothing was kept."
            )


def samples(entries: Iterable[LogbookEntry]) -> list[Sample]:
    """Every sample that nothing corrects, oldest first; `entries` may be of any kind."""
    found = [_sample(e) for e in entries if e.kind == SAMPLE and not e.corrected_by]
    return sorted(found, key=lambda sample: (sample.at_ms, sample.number))


def moisture_words(sample: Sample) -> str:
    """Its moisture in % of the dry mass; ± is twice what the balance alone leaves uncertain."""
    if sample.moisture is None:
        return "not dried yet"
    words = f"{sample.moisture:.1f}"
    if sample.uncertainty is not None:
        words = f"{sample.moisture:.2f} ± {2 * sample.uncertainty:.2f}"
    if sample.second_moisture is not None:
        words += f", {sample.second_moisture:.1f} by the second dry mass"
    return words


def sample_words(sample: Sample) -> str:
    """How it was cut and kept, its moisture once it is dry, and what to doubt, in a line."""
    kept = [sample.material]
    if sample.dry_cut:
        kept.append("cut dry")
    if sample.sealed:
        kept.append(f"sealed at once, on the balance after {sample.minutes:g} min")
    says = ", ".join(kept)
    if sample.moisture is not None:
        says += f"; moisture in % of the dry mass: {moisture_words(sample)}"
    return " ".join([f"{says}.", *remarks(sample)]).rstrip(".")


def oven_words() -> str:
    """How hot the oven usually is for each material: "wood 101 to 105 °C, ..."."""
    materials: dict[tuple[float, float], list[str]] = {}
    for material, reach in OVEN.items():
        materials.setdefault(reach, []).append(material)
    return ", ".join(
        f"{' and '.join(names)} {least:g} to {most:g} °C"
        for (least, most), names in materials.items()
    )


def sample_said(bay: str, content: Mapping[str, Json]) -> str:
    """The sentence of a sample's entry."""
    start, end = (float(str(content[name])) for name in ("depth_from_mm", "depth_to_mm"))
    wet, dry = float(str(content["wet_g"])), number_in(content["dry_g"])
    where = f"Sample {content['identity']}, {bay}, {start:g} to {end:g} mm deep"
    masses = f"{where}, {float(str(content['height_mm'])):g} mm high: {wet:g} g wet"
    note = f"\n{content['note']}" if content["note"] else ""
    if dry is None:
        return f"{masses}, not dried yet.{note}"
    oven = number_in(content["oven"])  # is there, or the entry is refused
    return f"{masses}, {dry:g} g dry{'' if oven is None else f' at {oven:g} °C'}.{note}"


def remarks(sample: Sample) -> list[str]:
    """What whoever doubts a sample has to be told, in sentences."""
    said = []
    if not sample.dry_cut:
        said.append("It was cut with water, some of which may be in it.")
    if not sample.sealed:
        said.append(
            f"It was not sealed at once: it dried in the air for {sample.minutes:g} min until it "
            "was weighed."
        )
    if sample.oven is not None:
        least, most = OVEN[sample.material]
        if not least <= sample.oven <= most:
            said.append(
                f"The oven was at {sample.oven:g} °C; usual for {sample.material} is {least:g} to "
                f"{most:g} °C."
            )
        if sample.material == LIME and sample.second_dry is None:
            said.append(
                "Its dry mass was not weighed again at the end: lime takes up carbon dioxide "
                "meanwhile, and grows heavier (common practice: tell both)."
            )
    return said


def sample_document(sample: Sample) -> dict[str, Json]:
    """A sample for programs: times in RFC 3339 UTC, lengths in mm, masses in g, moisture in %."""
    return {
        "number": sample.number,
        "at": rfc3339(sample.at_ms),
        "by": sample.by,
        "bay": sample.bay,
        "identity": sample.identity,
        "depth_from_mm": sample.depth[0],
        "depth_to_mm": sample.depth[1],
        "height_mm": sample.height,
        "across_mm": sample.across,
        "material": sample.material,
        "dry_cut": sample.dry_cut,
        "sealed": sample.sealed,
        "minutes": sample.minutes,
        "oven": sample.oven,
        "wet_g": sample.wet,
        "dry_g": sample.dry,
        "tare_g": sample.tare,
        "second_dry_g": sample.second_dry,
        "balance_g": sample.balance,
        "note": sample.note,
        "moisture": sample.moisture,
        "moisture_standard_uncertainty": sample.uncertainty,
        "moisture_by_second_dry": sample.second_moisture,
        "remarks": list(remarks(sample)),
    }


def _sample(entry: LogbookEntry) -> Sample:
    content = entry.content
    numbers = {name: number_in(content[name]) for name in _NUMBERS}
    return Sample(
        number=entry.number,
        at_ms=speaks_of_ms(entry),
        by=entry.by,
        bay=entry.subject.name,
        identity=str(content["identity"]),
        depth=(numbers["depth_from_mm"] or 0.0, numbers["depth_to_mm"] or 0.0),
        height=numbers["height_mm"] or 0.0,
        across=numbers["across_mm"],
        material=str(content["material"]),
        dry_cut=content["dry_cut"] is True,
        sealed=content["sealed"] is True,
        minutes=numbers["minutes"] or 0.0,
        oven=numbers["oven"],
        wet=numbers["wet_g"] or 0.0,
        dry=numbers["dry_g"],
        tare=numbers["tare_g"],
        second_dry=numbers["second_dry_g"],
        balance=numbers["balance_g"],
        note=str(content["note"]),
    )
