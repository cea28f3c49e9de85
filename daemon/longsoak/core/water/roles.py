"""What each probe of a rig is to its water. Pure."""

from longsoak.vocabulary.rig import PUMP, Kind, Reservoir, Rig

# Besides "pan" and "mass", which hours keep under these names.
LEVEL, FLOAT, RUNS, SALT, WARM, DAMP = "level", "float", "pump", "salt", "warm", "damp"


def roles_of(rig: Rig, reservoir: Reservoir) -> dict[str, str]:
    """What each probe is to the water, by its name."""
    found = {reservoir.level: LEVEL}
    if reservoir.float_switch is not None:
        found[reservoir.float_switch] = FLOAT
    if rig.pan is not None:
        found[rig.pan.level] = "pan"
    of_kind = {Kind.SCALE: "mass", Kind.CONDUCTIVITY: SALT, **dict.fromkeys(PUMP, RUNS)}
    for probe in rig.probes:
        if probe.kind in of_kind:
            found.setdefault(probe.name, of_kind[probe.kind])
    room = {rig.room.temperature: WARM, rig.room.humidity: DAMP}
    return found | {name: role for name, role in room.items() if name is not None}
