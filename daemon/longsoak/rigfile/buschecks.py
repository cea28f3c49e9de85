"""Whether each bus has a driver, and the driver can live with its options and addresses."""

from collections.abc import Callable

from longsoak.driver import BusKind
from longsoak.rigfile.draft import Draft
from longsoak.rigfile.driverwords import check_driver_table
from longsoak.rigfile.references import check_unique
from longsoak.rigfile.report import Report, quoted
from longsoak.vocabulary.errors import DriverError


def check_buses(
    draft: Draft, *, find_kind: Callable[[str], BusKind] | None, report: Report
) -> None:
    """Note what is wrong with buses, and with the addresses of probes on them."""
    check_unique(
        report, (((*bus.part.path, "name"), bus.part.table.name) for bus in draft.buses), what="bus"
    )
    kinds: dict[str, BusKind] = {}  # by bus
    if find_kind is not None:
        for bus in draft.buses:
            driver = bus.part.table.driver
            if driver is None:
                continue
            try:
                kind = find_kind(driver)
            except DriverError as error:
                report.add(
                    (*bus.part.path, "driver"),
                    driver,
                    expected=f"a driver that can be used ({str(error).rstrip('.')})",
                    remedy="Name a driver that is installed, or install this one.",
                )
                continue
            check_driver_table(kind.Options, bus.options, path=bus.part.path, report=report)
            if bus.part.table.name is not None:
                kinds.setdefault(bus.part.table.name, kind)
    _check_addresses(draft, kinds=kinds, report=report)


def _check_addresses(draft: Draft, *, kinds: dict[str, BusKind], report: Report) -> None:
    taken: list[tuple[str, object, int]] = []
    for index, probe in enumerate(draft.probes):
        bus, address = probe.table.bus, probe.table.address
        if bus is None or address is None:
            continue
        path = (*probe.path, "address")
        # As the driver reads it, so that a default left out is the same as one written.
        read: object = address
        if bus in kinds:
            read = check_driver_table(kinds[bus].Address, address, path=path, report=report)
        if read is None:
            continue
        for other_bus, other, other_index in taken:
            if (other_bus, other) == (bus, read):
                name = draft.probes[other_index].table.name or "?"
                report.add(
                    path,
                    address,
                    expected=f"an address that no other probe on bus {quoted(bus)} has "
                    f"({quoted(name)} has it, line "
                    f"{report.line(('probes', other_index, 'address'))})",
                    remedy="Correct one of the two.",
                )
                break
        taken.append((bus, read, index))
