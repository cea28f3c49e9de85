"""Whether outputs hold together, and one that lets water in has what it takes."""

from collections.abc import Callable

from longsoak.driver import BusKind, SwitchingKind
from longsoak.rigfile.draft import Draft
from longsoak.rigfile.driverwords import check_driver_table
from longsoak.rigfile.outputtable import LONGEST, OutputTable
from longsoak.rigfile.reading import Part
from longsoak.rigfile.references import check_known, check_unique
from longsoak.rigfile.report import MISSING, Report, quoted
from longsoak.vocabulary.errors import DriverError
from longsoak.vocabulary.rig import FILLS


def check_outputs(
    draft: Draft, *, find_kind: Callable[[str], BusKind] | None, report: Report
) -> None:
    """Note what is wrong with outputs; one that lets water in needs more than a lamp."""
    check_unique(
        report, (((*part.path, "name"), part.table.name) for part in draft.outputs), what="output"
    )
    drivers = {bus.part.table.name: bus.part.table.driver for bus in draft.buses}
    # By bus and line: a line can't be read and switched at once.
    taken = {
        (str(probe.table.bus), str(probe.table.address["line"])): f"probe {probe.table.name}"
        for probe in draft.probes
        if probe.table.address is not None and "line" in probe.table.address
    }
    for part in draft.outputs:
        _check_fill(part, draft, report=report)
        known = check_known(
            report,
            (*part.path, "bus"),
            part.table.bus,
            names=draft.bus_names,
            what="a bus",
            header="[[buses]]",
        )
        driver = drivers.get(part.table.bus)
        if not known or driver is None or find_kind is None:
            continue
        _check_address(part, driver, taken, find_kind=find_kind, report=report)


def _check_fill(part: Part[OutputTable], draft: Draft, *, report: Report) -> None:
    kind = part.table.kind
    if kind not in FILLS:
        return
    if part.table.longest is None and "longest" not in part.keys:
        report.add(
            (*part.path, "longest"),
            MISSING,
            expected=f"seconds it may be on at a time, 1 to {LONGEST:g}: a {kind} needs an end",
            remedy="Write for example longest = 300.",
        )
    if draft.reservoir is None or draft.reservoir.table.float_probe is None:
        report.add(
            (*part.path, "kind"),
            str(kind),
            expected=f"no {kind} without a float in [reservoir]: a level alone may stick",
            remedy="Name a float in [reservoir], or remove this output.",
        )


def _check_address(
    part: Part[OutputTable],
    driver: str,
    taken: dict[tuple[str, str], str],
    *,
    find_kind: Callable[[str], BusKind],
    report: Report,
) -> None:
    try:
        kind = find_kind(driver)
    except DriverError:  # told with the bus
        return
    if not isinstance(kind, SwitchingKind):
        report.add(
            (*part.path, "bus"),
            part.table.bus,
            expected=f"a bus whose driver can switch; {driver} can't",
            remedy="Name a bus of another driver, such as gpio.",
        )
        return
    if part.table.address is None:
        return
    path = (*part.path, "address")
    check_driver_table(kind.OutputAddress, part.table.address, path=path, report=report)
    own = f"output {part.table.name}"
    line = (str(part.table.bus), str(part.table.address.get("line")))
    first = taken.setdefault(line, own)
    if first != own:
        report.add(
            path,
            part.table.address,
            expected=f"a line that nothing else has ({quoted(first)} has it)",
            remedy="Correct one of the two.",
        )
