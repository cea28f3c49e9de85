"""`longsoak front`: how fast a wetting front goes, from when it reached pins of known depth."""

import json
import sys
from collections.abc import Mapping, Sequence
from math import sqrt
from pathlib import Path
from typing import TYPE_CHECKING

import click

from longsoak.cli.common import DONE, FOUND_WRONG, a_path, own_record, table, told
from longsoak.core.elapsedwords import elapsed_words
from longsoak.core.fitjudgement import Remark
from longsoak.core.front import Front, front_pace
from longsoak.core.frontjudgement import Reach, front_doubts, layers_remark
from longsoak.core.proof.reads import COVERAGE
from longsoak.core.uptake import Undetermined
from longsoak.core.wording import rfc3339, time_words, with_noun
from longsoak.service.clock import SystemClock
from longsoak.store.files import RECORD, folder_of
from longsoak.store.overlay import asides_of
from longsoak.vocabulary.errors import PhysicsError, StoreError
from longsoak.vocabulary.proof import Outcome, ProofEntry, Step
from longsoak.vocabulary.rig import Quantity, Rig
from longsoak.vocabulary.water import Aside

if TYPE_CHECKING:
    from longsoak.rigfile.arrivals import Arrival

_ROOT_HOUR = 60.0  # s^0.5
MODEL = (
    "Assumed: a sharp front that starts at the wet face at time 0 and goes with the root of time "
    "through one material, without gravity and evaporation. How well an arrival is known, as "
    "between two readings, is not in the uncertainty."
)
WEIGHED = (
    "Each depth counts by its own uncertainty, and by one that all have in common where the "
    "scatter asks for it."
)
ALIKE = (
    "How well the depths are known is not told: they count alike, and the scatter alone says how "
    "well the pace is known."
)
WIDENED = "Where depths are few, the uncertainty is widened so that twice as much holds 95 %."


@click.command(epilog="Example: longsoak front arrivals.csv --rig rig.toml")
@click.argument("arrivals", type=a_path)
@click.option("--rig", "rig_file", type=a_path, help="The rig file that knows the probes.")
@click.option("--bay", help="Take the pins of this bay alone.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of tables.")
def front(arrivals: Path, rig_file: Path | None, bay: str | None, as_json: bool) -> None:
    """Find the pace of a wetting front from ARRIVALS, a CSV file.

    Its columns: one of time_s, time_min and time_h, from when the face met the water to when the
    front came, empty if it has not come yet; and either depth_mm, from the wet face, with or
    without uncertainty_mm beside it (standard uncertainty), or probe, by the names of --rig.

    The depth of a probe is told by its newest installation card in the record beside the rig
    file, with its uncertainty; without such a card by the rig file, which does not say how well
    it is known. Where that is so of any depth the front has reached, all of them count alike and
    the scatter alone makes the uncertainty of the pace: a figure for those would be made up.

    Ends with exit code 1 if the front has reached fewer than two depths, or no pace can be so.
    """
    from longsoak.rigfile.arrivals import read_arrivals

    if bay is not None and rig_file is None:
        raise click.UsageError("--bay is for the probes of a rig file. Add --rig.")
    with told(so="nothing was worked out"):
        rig, cards, asides = (None, {}, []) if rig_file is None else _seats(rig_file)
        if rig is not None:
            _refuse_unknown(bay, rig)
        read = read_arrivals(arrivals, rig=rig, cards=cards, bay=bay)
    if not read.arrivals:
        raise click.UsageError(f"{arrivals} has no pins of the bay {bay}. Leave --bay out.")
    reached = [a for a in read.arrivals if a.time is not None]
    doubts = [a.uncertainty for a in reached if a.uncertainty is not None]
    weighed = len(doubts) == len(reached)
    try:
        found = front_pace(
            [a.depth for a in reached],
            arrivals=[a.time for a in reached if a.time is not None],
            depth_uncertainties=doubts if weighed else None,
        )
    except PhysicsError as error:
        click.echo(f"{arrivals}: {error}. Look at the depths and their cards.", err=True)
        sys.exit(FOUND_WRONG)
    remarks = [
        *front_doubts([*map(_reach, read.arrivals)], front=found),
        *_remarks(reached, rig, asides),
    ]
    notes = [_note_on_weights(reached, weighed=weighed), WIDENED, MODEL]
    if read.ignored:
        notes.append(f"Columns that are not used: {', '.join(n or 'one' for n in read.ignored)}.")
    if as_json:
        shown = _as_json_object(read.arrivals, found, remarks, notes)
        shown["lines_of_other_bays"] = read.elsewhere
        click.echo(json.dumps(shown, ensure_ascii=False, indent=1))
    else:
        click.echo(f"{arrivals}: {_count_words(read.arrivals, read.elsewhere)}\n")
        click.echo(_as_words(read.arrivals, found, remarks, notes))
    wrong = any(remark.unusable for remark in remarks)
    sys.exit(FOUND_WRONG if isinstance(found, Undetermined) or wrong else DONE)


def _seats(rig_file: Path) -> tuple[Rig, Mapping[str, ProofEntry], list[Aside]]:
    """The rig, each probe's newest installation card in its record, and what contacts set aside."""
    from longsoak.rigfile.load import load

    rig = load(rig_file, find_kind=None)
    try:
        record, _ = own_record(rig_file)
        entries = record.proof_entries()
        asides = asides_of(record.folder, rig, now_ms=SystemClock().utc_ms())
    except StoreError:
        if _there(folder_of(rig_file) / RECORD):
            raise
        return rig, {}, []  # nothing has been recorded yet
    cards = (e for e in entries if e.step is Step.CARD and e.outcome is not Outcome.LEFT_OUT)
    return rig, {entry.subject: entry for entry in cards}, asides


def _there(path: Path) -> bool:
    try:
        return path.exists()
    except PermissionError:  # it may be
        return True


def _refuse_unknown(bay: str | None, rig: Rig) -> None:
    from longsoak.rigfile.report import listed, nearest

    names = [each.name for each in rig.specimen.bays]
    if bay is not None and bay not in names:
        meant = nearest(bay, names)
        hint = f"Did you mean {meant!r}?" if meant else f"It has {listed(names)}."
        raise click.UsageError(f"The rig file has no bay {bay!r}. {hint}")


def _reach(arrival: "Arrival") -> Reach:
    depth = f"{arrival.depth:g} mm"
    name = depth if arrival.probe is None else f"{arrival.probe.name} ({depth})"
    return Reach(name, arrival.depth, arrival.uncertainty, arrival.time)


def _remarks(
    reached: Sequence["Arrival"], rig: Rig | None, asides: Sequence[Aside]
) -> list[Remark]:
    """What the rig and its record have to say of the depths."""
    remarks = []
    probes = [arrival.probe for arrival in reached if arrival.probe is not None]
    if rig is not None and probes:
        bay = next(bay for bay in rig.specimen.bays if bay.name == probes[0].bay)
        crossed = layers_remark(bay, deepest=max(arrival.depth for arrival in reached))
        remarks += [] if crossed is None else [crossed]
    names = {probe.name for probe in probes}
    dowels = [probe.name for probe in probes if probe.quantity is Quantity.DOWEL]
    wetted = {aside.probe: aside for aside in reversed(asides) if aside.probe in names}
    for name, first in wetted.items():
        says = (
            f"{name}: its readings from {time_words(first.from_ms)} on were set aside, for water "
            "touched the specimen. An arrival since then may be that water, and no front."
        )
        remarks.append(Remark(says))
    if dowels:
        says = f"{', '.join(dowels)}: a dowel feels the front late, by hours or days."
        remarks.append(Remark(says))
    for arrival in reached:
        declared = None if arrival.probe is None else arrival.probe.depth
        if not arrival.by_card or arrival.probe is None or declared is None:
            continue
        doubled = COVERAGE * (arrival.uncertainty or 0.0)
        if abs(arrival.depth - declared) > doubled:
            spread = f" ± {doubled:.1f}" if doubled else ""
            says = (
                f"{arrival.probe.name}: its card says {arrival.depth:.1f}{spread} mm, the rig file "
                f"{declared:g} mm. The card's is taken: see which is true."
            )
            remarks.append(Remark(says))
    return remarks


def _note_on_weights(reached: Sequence["Arrival"], *, weighed: bool) -> str:
    lacking = [arrival for arrival in reached if arrival.uncertainty is None]
    if weighed:
        return WEIGHED
    if len(lacking) == len(reached):
        return ALIKE
    names = ", ".join(
        f"{arrival.depth:g} mm" if arrival.probe is None else arrival.probe.name
        for arrival in lacking
    )
    mend = "an uncertainty_mm" if lacking[0].probe is None else "an installation card"
    return (
        f"How well the depth is known is told of some, but not of {names}: so all count alike, and "
        f"the scatter alone says how well the pace is known. Give each {mend} to have them weighed."
    )


def _count_words(arrivals: Sequence["Arrival"], elsewhere: int) -> str:
    probe = arrivals[0].probe
    says = with_noun(len(arrivals), "depth")
    if probe is not None:
        says += f" in the bay {probe.bay}"
    late = sum(arrival.time is None for arrival in arrivals)
    if late:
        says += f", {late} of them not reached yet and left out"
    if elsewhere:
        says += f"; {with_noun(elsewhere, 'line')} of other bays left out"
    return says + "."


def _as_words(
    arrivals: Sequence["Arrival"],
    found: Front | Undetermined,
    remarks: Sequence[Remark],
    notes: Sequence[str],
) -> str:
    lines = ["Pace of the wetting front"]
    if isinstance(found, Front):
        for unit, each in (("mm/√h", _ROOT_HOUR), ("mm/√s", 1.0)):
            lines.append(
                f"  {found.pace * each:#.4g} {unit}, standard uncertainty "
                f"{found.uncertainty * each:.2g}"
            )
    else:
        lines.append(f"  none: {found.why}")
    rows = [_row(arrival, found) for arrival in arrivals]
    columns: tuple[str, ...] = ("mm", "u", "told by", "probe", "reached", "√h", "off")
    if arrivals[0].probe is None:
        columns, rows = _without(columns, 3), [_without(row, 3) for row in rows]
    head = (
        "Depths from the wet face in mm, u their standard uncertainty; off is how far the front "
        "was ahead (+) or behind (-)"
    )
    lines += ["", head, table(columns, rows, right="mm u √h off")]
    if remarks:
        lines += ["", "To be wary of:", *(f"- {remark.says}" for remark in remarks)]
    lines += ["", *notes]
    return "\n".join(lines)


def _without(cells: tuple[str, ...], place: int) -> tuple[str, ...]:
    return (*cells[:place], *cells[place + 1 :])


def _row(arrival: "Arrival", found: Front | Undetermined) -> tuple[str, ...]:
    off, time = _off(arrival, found), arrival.time
    return (
        f"{arrival.depth:.1f}",
        "" if arrival.uncertainty is None else f"{arrival.uncertainty:.2g}",
        _told_by(arrival),
        "" if arrival.probe is None else arrival.probe.name,
        "not yet" if time is None else elapsed_words(time),
        "" if time is None else f"{sqrt(time) / _ROOT_HOUR:.3f}",
        "" if off is None else f"{round(off, 1) + 0.0:+.1f}",  # no minus before nothing
    )


def _off(arrival: "Arrival", found: Front | Undetermined) -> float | None:
    """How far the front was ahead of its pace when it came to a depth, mm."""
    if arrival.time is None or isinstance(found, Undetermined):
        return None
    return arrival.depth - found.pace * sqrt(arrival.time)


def _told_by(arrival: "Arrival") -> str:
    card = arrival.card
    if arrival.probe is None:
        return "file"
    if card is None:
        return "rig file, no card"
    if not arrival.by_card:
        return "rig file, for its card tells no depth"
    return f"card of {rfc3339(card.utc_ms)[:10]}, {card.by}"


def _as_json_object(
    arrivals: Sequence["Arrival"],
    found: Front | Undetermined,
    remarks: Sequence[Remark],
    notes: Sequence[str],
) -> dict[str, object]:
    return {
        "pace": _pace(found, "mm/h^0.5", _ROOT_HOUR),
        "pace_per_root_second": _pace(found, "mm/s^0.5", 1.0),
        "arrivals": [
            {
                "probe": None if arrival.probe is None else arrival.probe.name,
                "depth_mm": arrival.depth,
                "standard_uncertainty_mm": arrival.uncertainty,
                "told_by": _told_by(arrival),
                "time_s": arrival.time,
                "residual_mm": _off(arrival, found),
            }
            for arrival in arrivals
        ],
        "usable": not any(remark.unusable for remark in remarks),
        "warnings": [remark.says for remark in remarks],
        "notes": list(notes),
    }


def _pace(found: Front | Undetermined, unit: str, each: float) -> dict[str, object]:
    if isinstance(found, Undetermined):
        return {"value": None, "unit": unit, "why": found.why}
    return {
        "value": found.pace * each,
        "unit": unit,
        "standard_uncertainty": found.uncertainty * each,
    }
