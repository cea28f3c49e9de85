"""The sections of a report that hold results, what was set aside, deviations and verdicts."""

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import replace

from longsoak.core.handflags import flags_of
from longsoak.core.phases import Phase
from longsoak.core.probehealth import hours_of
from longsoak.core.wording import gap_length_words, time_words, with_noun
from longsoak.core.zones import spots, spots_of
from longsoak.report.analysed import Analysis
from longsoak.report.analysiswords import listings
from longsoak.report.extents import Extent
from longsoak.report.paper import Card, Listing, Part, Plot, Text
from longsoak.report.plots import Around, Trace, profiles, traces
from longsoak.report.verdicts import Finding
from longsoak.report.verdictwords import remarks, why_words
from longsoak.store.health import HealthRecord
from longsoak.store.logbook import Logbook
from longsoak.store.overlay import asides_of
from longsoak.store.reader import Record, RigVersion
from longsoak.store.water import WaterRecord
from longsoak.vocabulary.rig import LIMIT_UNIT_WORDS, Limit, LimitQuantity, Rig
from longsoak.vocabulary.water import ContactWindow

_MOST_LINES = 9  # in one drawing: more can't be told apart


def results(
    record: Record,
    rig: Rig,
    phases: Sequence[Phase],
    findings: Sequence[Finding],
    analysis: Analysis,
    days_of: Callable[[str], Sequence[Extent]],
    last_ms: int,
) -> list[Part]:
    """Readings over time and by depth as drawings, then all that was worked out of them."""
    around = Around(
        phases,
        [(w.from_ms, w.until_ms or last_ms) for w in _contacts(record, rig)],
        [(gap.from_utc_ms, gap.to_utc_ms) for gap in record.gaps()],
        {},
    )
    found: list[Part] = [
        Text(
            "In the drawings a line is a probe's daily means, the band about it its lowest and "
            "highest reading of the day, whatever their flags but fail; red hatching a contact of "
            "the water with the specimen, grey a time without readings, dotted the begin of a "
            "phase, dashed a limit."
        )
    ]
    limits = list({f.limit.name: f.limit for f in findings}.values())
    found += _traces(rig, limits, around, days_of)
    for unit in dict.fromkeys(place.unit for p in analysis.profiles for place in p.places):
        own = [p for p in analysis.profiles if any(place.unit == unit for place in p.places)]
        bays = [bay for bay in rig.specimen.bays if any(p.bay == bay.name for p in own)]
        found.append(
            Plot(
                profiles(own, bays, unit=unit),
                f"By depth at the end of each phase, {unit}, with twice the standard uncertainty. "
                "Phases are drawn side by side.",
                f"Means by depth of {', '.join(b.name for b in bays)} at the end of each phase.",
            )
        )
    return [*found, *listings(analysis)]


def _traces(
    rig: Rig,
    limits: Sequence[Limit],
    around: Around,
    days_of: Callable[[str], Sequence[Extent]],
) -> list[Part]:
    panels: dict[tuple[str, LimitQuantity, str], list[tuple[float, float, str]]] = defaultdict(list)
    for spot in spots(rig.probes, rig.specimen.bays):
        if spot.bay is None or spot.quantity in (
            LimitQuantity.MOULD_INDEX,
            LimitQuantity.MASS_GAIN,
        ):
            continue
        seat = spot.depth or 0.0, spot.height or 0.0, spot.probes[0]
        panels[spot.bay, spot.quantity, spot.layer or ""].append(seat)
    parts: list[Part] = []
    for (bay, quantity, layer), seats in panels.items():
        for group in range(0, len(seats), _MOST_LINES):
            shown = sorted(seats)[group : group + _MOST_LINES]
            names = [name for _, _, name in shown]
            lines = [Trace(name, depth, height, days_of(name)) for depth, height, name in shown]
            levels = {
                f"{each.name}, {each.bound:g}": each.bound
                for each in limits
                if each.quantity is quantity
                and each.above is None
                and set(names) & {n for spot in spots_of(each, rig) for n in spot.probes}
            }
            own = replace(around, limits=levels)
            unit = LIMIT_UNIT_WORDS[quantity]
            title = f"{bay}, {layer}: {quantity.value}"
            drawing = traces(lines, own, unit=unit)
            parts.append(Plot(drawing, f"{title}.", f"{title} of {', '.join(names)} over time."))
    return parts


def set_aside(record: Record, rig: Rig, last_ms: int) -> list[Part]:
    """What is no evidence, and why."""
    found: list[Part] = []
    asides = asides_of(record.folder, rig, now_ms=last_ms)
    if asides:
        hours: dict[str, float] = defaultdict(float)
        for aside in asides:
            hours[aside.probe] += ((aside.until_ms or last_ms) - aside.from_ms) / 3_600_000
        rows = tuple((probe, f"{length:.0f}") for probe, length in sorted(hours.items()))
        found.append(
            Listing(
                "Contacts with the water set aside",
                ("Readings stay in the record; each verdict says what it would be with them.",),
                ("probe", "hours"),
                rows,
                ("hours",),
            )
        )
    flags = Logbook(record.folder).flags()
    if flags:
        set_by_hand = tuple(
            (
                str(flag.number),
                str(flag.subject),
                time_words(flag.from_ms),
                "on" if flag.until_ms is None else time_words(flag.until_ms),
                flag.flag.word,
                flag.says,
                flag.by,
            )
            for flag in flags
        )
        head = ("entry", "about", "from", "to", "flag", "why", "by")
        found.append(Listing("Flags set by hand", (), head, set_by_hand, ("entry",)))
    health = HealthRecord(record.folder)
    good = health.goodness({probe.name: flags_of(flags, probe) for probe in rig.probes})
    counted = [(probe.name, hours_of(probe, good.get(probe.name))[-1]) for probe in rig.probes]
    shares = tuple(
        (name, f"{each.good:,.0f}", f"{each.of:,.0f}", f"{100 * each.good / each.of:.1f} %")
        for name, each in counted
        if each is not None
    )
    if shares:
        columns = ("probe", "hours with good readings", "hours", "share")
        says = "As judged each day, flags set by hand laid over; from its first closed day on."
        found.append(Listing("Good readings by probe", (says,), columns, shares, columns[1:]))
    faults = [f for f in health.findings() if not f.over]
    if faults:
        found_out = tuple(
            (f.probe, f.fault.value, time_words(f.since_ms), f.says)
            for f in sorted(faults, key=lambda f: (f.since_ms, f.probe))
        )
        found.append(Listing("Faults found", (), ("probe", "fault", "since", "why"), found_out))
    return found or [Text("Nothing was set aside.")]


def deviations(
    record: Record, versions: Sequence[RigVersion], findings: Sequence[Finding]
) -> list[Part]:
    """What did not go as planned, as far as the record shows it."""
    found: list[Part] = []
    late = [f.limit.name for f in findings if f.late]
    if late:
        names = ", ".join(dict.fromkeys(late))
        found.append(Text(f"Declared when the phase had begun: {names}.", strong=True))
    changed = sorted({n for f in findings for n in f.changed})
    if changed:
        numbers = ", ".join(map(str, changed))
        found.append(
            Text(f"Limits were changed while a phase went on, in versions {numbers}.", strong=True)
        )
    derivation = record.derivation()
    if derivation is not None:
        words = derivation.words
        found.append(
            Text(
                f"{words[0].upper()}{words[1:]}, of {with_noun(len(derivation.probes), 'probe')}. "
                "What they were first is kept beside them.",
                strong=True,
            )
        )
    rows = tuple((str(each.number), time_words(each.accepted_utc_ms)) for each in versions)
    found.append(
        Listing("Versions of the rig file", (), ("version", "accepted"), rows, ("version",))
    )
    gaps = tuple(
        (
            time_words(gap.from_utc_ms),
            time_words(gap.to_utc_ms),
            gap_length_words(gap),
            "stopped on purpose" if gap.clean else "cut off",
        )
        for gap in record.gaps()
    )
    if gaps:
        head = ("from", "to", "length", "how")
        found.append(Listing("Times without readings", (), head, gaps))
    else:
        found.append(Text("There is no time without readings between two runs."))
    return found


def verdict_cards(findings: Sequence[Finding]) -> list[Part]:
    """Each verdict with what it rests on."""
    if not findings:
        return [Text("None: no limit was declared for a phase that has begun.", strong=True)]
    return [
        Card(
            each.verdict.outcome.value,
            f"{each.limit.name}: {each.phase.title}",
            (
                f"{each.asks}.",
                why_words(each),
                f"Judged from {time_words(each.from_ms)} to {time_words(each.until_ms)}: beyond "
                f"{each.verdict.beyond:g} h, perhaps {each.verdict.perhaps:g} h, within "
                f"{each.verdict.within:g} h, not known {each.verdict.unknown:g} h; good data of "
                f"every probe in {100 * each.verdict.covered:.0f} % of the windows.",
                f"Declared by version {each.version} of the rig file, accepted "
                f"{time_words(each.declared_ms)}.",
                *remarks(each),
            ),
        )
        for each in findings
    ]


def _contacts(record: Record, rig: Rig) -> Sequence[ContactWindow]:
    return [] if rig.reservoir is None else WaterRecord(record.folder).windows()
