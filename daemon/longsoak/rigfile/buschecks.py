"""Whether each bus has a driver, a port of its own and a probe, and its driver takes the rest."""

import os.path
from collections.abc import Callable, Sequence

from longsoak.driver import BusKind
from longsoak.rigfile.draft import BusDraft, Draft
from longsoak.rigfile.driverwords import check_driver_table
from longsoak.rigfile.references import check_unique
from longsoak.rigfile.report import Report, quoted, shown
from longsoak.vocabulary.errors import DriverError


def check_buses(
    draft: Draft, *, find_kind: Callable[[str], BusKind] | None, report: Report
) -> None:
    """Note what is wrong with buses, and with the addresses of probes on them.

    Without `find_kind` nothing is going to talk to the buses, and only their names are looked at.
    """
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
        _check_ports(draft.buses, report=report)
        _check_used(draft, report=report)
    _check_addresses(draft, kinds=kinds, report=report)


def _check_ports(buses: Sequence[BusDraft], *, report: Report) -> None:
    """Note a port that an earlier bus has: two drivers on one wire would garble each other."""
    first: dict[tuple[str, str], BusDraft] = {}
    for bus in buses:
        for field, way in (("port", "port"), ("tcp", "address")):
            named = bus.options.get(field)
            if not isinstance(named, str) or not named or "\0" in named:
                continue
            # The names under /dev/serial are links to the one the kernel gave.
            real = os.path.realpath(named) if field == "port" else named.lower()
            other = first.setdefault((field, real), bus)
            if other is bus:
                continue
            others = other.options[field]
            same = "" if others == named else f" as {shown(others)!r}"
            report.add(
                (*bus.part.path, field),
                named,
                expected=f"{'an' if way == 'address' else 'a'} {way} that no other bus has "
                f"(bus {_called(other)} has it{same}, "
                f"line {report.line((*other.part.path, field))})",
                remedy=f"Give bus {_called(bus)} another {way}, or put its probes on the other "
                "bus.",
            )


def _called(bus: BusDraft) -> str:
    return quoted(bus.part.table.name or "?")


def _check_used(draft: Draft, *, report: Report) -> None:
    """Note a bus that no probe is on: there would be nothing to ask it, and nobody would know."""
    names = [probe.table.bus for probe in draft.probes]
    if not names or not draft.bus_names.complete or not draft.bus_names.first.keys() >= {*names}:
        return  # a probe whose bus can't be told may be on it
    for name, index in draft.bus_names.first.items():
        if name not in names:
            report.add(
                ("buses", index, "name"),
                name,
                expected="a bus that at least one probe is on",
                remedy=f"Give a probe bus = {quoted(name)}, or remove this bus.",
            )


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
