"""A whole report from a record: what it says, section by section, in the order of a test report.

Needs the extra ``report``. Everything in it is of the record, up to its last scan, and nothing of
the moment it is written in: two reports of one record are the same.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.metadata import version

from longsoak.core.limitwords import limit_words
from longsoak.core.logbookwords import speaks_of_ms
from longsoak.core.phases import Phase, phases
from longsoak.core.proof.book import Book
from longsoak.core.wording import time_words, with_noun
from longsoak.report.analysed import Analysis
from longsoak.report.analysis import Analyst, analyst_of
from longsoak.report.beside import beside
from longsoak.report.evidence import deviations, results, set_aside, verdict_cards
from longsoak.report.objections import NOT_REPRESENTED, objections
from longsoak.report.paper import Listing, Paper, Part, Plot, Points, Section, Text
from longsoak.report.plots import set_up
from longsoak.report.verdicts import Finding, findings
from longsoak.report.verdictwords import margin_words
from longsoak.report.witnesses import closing, held_against, seen
from longsoak.report.words import INVENTED
from longsoak.store.files import keeping_open
from longsoak.store.ledger import Ledger
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record, RigVersion
from longsoak.store.water import WaterRecord
from longsoak.vocabulary.curve import Curve
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import KIND_WORDS, LogbookEntry
from longsoak.vocabulary.rig import LIMIT_UNIT_WORDS, UNIT_WORDS, Boundary, Rig

_MOST_ENTRIES = 400  # of the logbook, the newest; the rest is in an export


@dataclass(frozen=True, slots=True)
class Known:
    """What the sections of a report are written from."""

    record: Record
    rig: Rig
    versions: Sequence[RigVersion]
    phases: Sequence[Phase]
    entries: Sequence[LogbookEntry]
    findings: Sequence[Finding]
    analyst: Analyst
    analysis: Analysis
    first_ms: int
    last_ms: int


def report(record: Record) -> Paper:
    """Write a report.

    Raises
    ------
    RequestError
        Nothing was recorded yet.
    StoreError
        The record can't be read.
    ImportError
        The extra ``report`` is not here.
    """
    known = _known(record)
    with keeping_open():
        return _paper(known)


def _known(record: Record) -> Known:
    first, last = record.first_utc_ms(), record.last_utc_ms()
    analyst = None if last is None else analyst_of(record, now_ms=last)
    if first is None or last is None or analyst is None:
        raise RequestError("Nothing was recorded yet, so there is nothing to report.")
    entries = list(Logbook(record.folder).entries())
    names = analyst.names
    for name in names[:1]:
        analyst.look_up(name)  # and so the scans' times, which all forks then have
    with beside(analyst.look_up, names[1:]) as looked_up:
        judged = findings(record, now_ms=last)
        for found in looked_up():
            analyst.take(found)
    return Known(
        record,
        analyst.rig,
        record.rig_versions(),
        phases(entries),
        entries,
        judged,
        analyst,
        analyst.all(),
        first,
        last,
    )


def _paper(known: Known) -> Paper:
    rig = known.rig
    head = Ledger(known.record.folder).last_head()
    facts = [
        ("Readings", f"{time_words(known.first_ms)} to {time_words(known.last_ms)}"),
        ("Rig file", f"{with_noun(len(known.versions), 'version')} accepted, all kept"),
        ("Written by", f"longsoak {version('longsoak')}"),
        (
            "Record",
            "no day is closed yet"
            if head is None
            else f"root of {head.day.isoformat()}, {head.entries} entries: {head.root}",
        ),
    ]
    if rig.invented:
        facts.insert(0, ("Invented", INVENTED))
    return Paper(
        f"Report on {rig.name}",
        tuple(facts),
        (
            Section("Question", list(_question(known))),
            Section("Verdicts in short", list(_short(known.findings))),
            Section("Set-up", list(_set_up(known))),
            Section("Instruments and their proof", list(_instruments(known))),
            Section("Method", list(_method(known))),
            Section("Conditions", list(_conditions(known))),
            Section("Results", results(known.record, rig, known.phases, known.findings,
                                       known.analysis, known.analyst.days, known.last_ms)),
            Section("Readings by hand, samples and mass",
                    held_against(known.record, known.entries, known.last_ms, on=rig)),
            Section("What was seen", seen(known.record, known.entries)),
            Section("What was set aside", set_aside(known.record, rig, known.last_ms)),
            Section("Deviations", deviations(known.record, known.versions, known.findings)),
            Section("Verdicts and their evidence", verdict_cards(known.findings)),
            Section("Objections", objections(rig, known.phases, known.entries)),
            Section("What this test does not represent", [Points(NOT_REPRESENTED)]),
            Section("At the end of the test", [closing(known.entries)]),
            Section("Logbook", list(_logbook(known))),
            Section("How to check this report", list(_check(known))),
        ),
    )  # fmt: skip


def _question(known: Known) -> Iterator[Part]:
    asked = known.rig.answers.get("question")
    yield Text(asked or "Not stated: the rig file has no question in [report].", strong=not asked)
    if known.rig.limits:
        yield Text("Limits declared in the rig file:")
        yield Points(
            tuple(f"{limit.name}: {limit_words(limit, known.rig)}." for limit in known.rig.limits)
        )
    else:
        yield Text("No limit was declared, so that this report gives no verdict.", strong=True)


def _short(found: Sequence[Finding]) -> Iterator[Part]:
    if not found:
        yield Text("None: no limit was declared for a phase that has begun.", strong=True)
        return
    head = (
        "limit",
        "phase",
        "verdict",
        "margin",
        "hours beyond",
        "good data",
        "with what was set aside",
    )
    rows = tuple(
        (
            each.limit.name,
            each.phase.title,
            each.verdict.outcome.value,
            _margin(each),
            f"{each.verdict.beyond:g}",
            f"{100 * each.verdict.covered:.0f} %",
            each.with_aside.outcome.value,
        )
        for each in found
    )
    yield Listing("Limits and phases", (), head, rows, ("hours beyond", "good data"))


def _margin(found: Finding) -> str:
    margin = found.verdict.margin
    unit = LIMIT_UNIT_WORDS[found.limit.quantity]
    return "" if margin is None else margin_words(margin, unit)


def _set_up(known: Known) -> Iterator[Part]:
    rig, specimen = known.rig, known.rig.specimen
    yield Text(
        f"{specimen.width:g} mm wide, {specimen.height:g} mm high; the wet face is its "
        f"{specimen.wet_face.value}. Its underside is {specimen.underside:g} mm above the floor of "
        "the reservoir."
    )
    yield Plot(
        set_up(rig),
        "The bays in section, to scale; a point is a probe.",
        f"Section of {with_noun(len(specimen.bays), 'bay')} with their layers and probes.",
    )
    edges = specimen.edges
    between = ", ".join(line.value for line in specimen.between_bays)
    yield Text(
        f"Edges: top {edges.top.value}, bottom {edges.bottom.value}, left {edges.left.value}, "
        f"right {edges.right.value}." + (f" Between the bays: {between}." if between else "")
    )
    if Boundary.OPEN in specimen.between_bays:
        yield Text("Probes within a bay's thickness of an open line stay out of its comparisons.")
    layers = tuple(
        (bay.name, layer.name, layer.material.value, f"{layer.thickness:g}")
        for bay in specimen.bays
        for layer in bay.layers
    )
    head = ("bay", "layer", "material", "thickness, mm")
    yield Listing("Layers, from the wet face inwards", (), head, layers, (head[3],))
    rows = tuple(
        (
            probe.name,
            probe.kind.value,
            probe.bay or probe.place or "",
            *("" if at is None else f"{at:g}" for at in (probe.depth, probe.height, probe.across)),
            probe.bus,
            f"{probe.every:g} s",
        )
        for probe in rig.probes
    )
    columns = (
        "probe",
        "kind",
        "bay or place",
        "depth, mm",
        "height, mm",
        "across, mm",
        "bus",
        "asked each",
    )
    yield Listing("Probes", (), columns, rows, columns[3:6])


def _instruments(known: Known) -> Iterator[Part]:
    book = Book(known.record.proof_entries(), known.rig)
    proof = book.newest
    if proof is None:
        yield Text("No channel was proved: no proof was begun on this rig.", strong=True)
    else:
        yield Text(f"{book.summary(proof)}. By {', '.join(proof.people)}.")
        rows = tuple((each.probe, each.says) for each in book.verdicts(proof))
        yield Listing("The newest proof, channel by channel", (), ("probe", "found"), rows)
    buses = tuple(
        (
            bus.name,
            bus.driver,
            f"{100 * bus.accuracy:g} %",
            "not known" if bus.insulation == float("inf") else f"{bus.insulation:.3g} Ω",
        )
        for bus in known.rig.buses
    )
    head = (
        "bus",
        "driver",
        "standard uncertainty of resistance",
        "least insulation of the harness",
    )
    yield Listing("Buses", (), head, buses)


def _method(known: Known) -> Iterator[Part]:
    used = dict.fromkeys(p.curve for p in known.rig.probes if p.curve)
    curves = [known.rig.curves[name] for name in used if name in known.rig.curves]
    yield Text(
        "Every raw value is kept beside what it was converted to. A resistance becomes a moisture "
        "content by the curve named for its probe, at the temperature of the probe named with it."
    )
    if curves:
        head = ("curve", "made for", "holds for, %", "standard uncertainty, % MC", "source")
        yield Listing("Curves", (), head, tuple(map(_curve, curves)), (head[3],))
    yield Points(
        (
            "Values of pins in a material the curve was not made for are wood-equivalents: they "
            "compare a place with itself, and are no water content.",
            "A reading counts where it passed every check (flags as in IOOS QARTOD). What failed, "
            "was missing, or was flagged by hand as such is no evidence.",
            "A mean over a window needs good readings over half of it at least. Its uncertainty is "
            "the mean of theirs: what they share, as a curve, does not average out.",
            "A limit is held, broken or undecided by a guard band on either side of it (JCGM 106, "
            "from memory), as wide as the risk its rule names asks for.",
            "Every interval names what it speaks of. One specimen supports this specimen only; its "
            "bays are no replicates.",
        )
    )


def _curve(curve: Curve) -> tuple[str, ...]:
    off = f"{curve.uncertainty:g}" if curve.uncertainty else "from its fit"
    return (
        curve.name,
        curve.made_for.value,
        f"{curve.lowest:g} to {curve.highest:g}",
        off,
        curve.source,
    )


def _conditions(known: Known) -> Iterator[Part]:
    if not known.phases:
        yield Text("No phase was begun in the logbook.", strong=True)
    else:
        head = ("phase", "from", "to", "why", "by", "unwetted control")
        rows = tuple(
            (
                phase.title,
                time_words(phase.from_ms),
                "goes on" if phase.until_ms is None else time_words(phase.until_ms),
                phase.says,
                phase.by,
                phase.control or "there was none",
            )
            for phase in known.phases
        )
        yield Listing("Phases", (), head, rows)
    yield from _room(known)
    if known.rig.reservoir is not None:
        yield from _water(known)


def _room(known: Known) -> Iterator[Part]:
    names = [n for n in (known.rig.room.temperature, known.rig.room.humidity) if n]
    if not names:
        yield Text("The air of the room was not measured.", strong=True)
        return
    kinds = {probe.name: probe.kind for probe in known.rig.probes}
    rows = []
    for phase in known.phases:
        for name in names:
            found, unit = known.analyst.extent(name, phase), UNIT_WORDS[kinds[name]]
            if found is not None and found.mean is not None:
                values = (f"{value:.1f}" for value in (found.mean, found.low, found.high))
                rows.append((phase.title, kinds[name].value, *values, unit))
    head = ("phase", "air of the room", "mean", "lowest", "highest", "unit")
    if rows:
        yield Listing("The room", (), head, tuple(rows), head[2:5])


def _water(known: Known) -> Iterator[Part]:
    record = WaterRecord(known.record.folder)
    poured = record.top_ups(Logbook(known.record.folder))
    total = sum(each.litres for each in poured)
    yield Text(f"{with_noun(len(poured), 'top-up')}, {total:.1f} L in all.")
    contacts = record.windows()
    if contacts:
        head = ("contact", "from", "to", "highest level, mm", "what was seen")
        rows = tuple(
            (
                str(each.number),
                time_words(each.from_ms),
                "goes on" if each.until_ms is None else time_words(each.until_ms),
                "" if each.highest is None else f"{each.highest:.0f}",
                each.says,
            )
            for each in contacts
        )
        yield Listing("Contacts of the water with the specimen", (), head, rows, (head[3],))
    else:
        yield Text("The water was never seen to touch the specimen's underside.")


def _logbook(known: Known) -> Iterator[Part]:
    entries = known.entries
    if not entries:
        yield Text("Nothing was written into the logbook.")
        return
    shown = sorted(entries, key=lambda entry: (speaks_of_ms(entry), entry.number))[-_MOST_ENTRIES:]
    says: tuple[str, ...] = ()
    if len(shown) < len(entries):
        says = (f"The newest {len(shown)} of {len(entries)}; an export has them all.",)
    rows = tuple(
        (
            str(entry.number),
            time_words(speaks_of_ms(entry)),
            KIND_WORDS.get(entry.kind, entry.kind),
            str(entry.subject),
            entry.says
            + (
                f" (corrected by {', '.join(map(str, entry.corrected_by))})"
                if entry.corrected_by
                else ""
            ),
            entry.by,
        )
        for entry in shown
    )
    yield Listing("Entries", says, ("no.", "of", "kind", "about", "says", "by"), rows, ("no.",))


def _check(known: Known) -> Iterator[Part]:
    head = Ledger(known.record.folder).last_head()
    yield Text(
        "Every scan, rig file, logbook entry and proof went into a chain of hashes when it was "
        "kept (a Merkle tree as in RFC 6962). Whoever holds a copy of the record checks it with "
        "`longsoak audit rig.toml`, and exports all of it with `longsoak export`."
    )
    if head is None:
        yield Text("No day of the record is closed yet: there is no root to compare.", strong=True)
    else:
        yield Points(
            (
                f"The root of {head.day.isoformat()} over {head.entries} entries is {head.root}.",
                "A copy of the record with another root is another record, or was changed.",
                "This report can be written again from the record: it comes out the same, byte for "
                "byte, with the same version of Longsoak and of what draws its plots.",
            )
        )
