"""Which probes of a bay are shaded between, and what has to be said of those that are not."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate

from longsoak.core.recency import patience_ms
from longsoak.core.wording import AHEAD_S
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Bay, Material, Probe, Quantity
from longsoak_dashboards.drawing.sheet import Sheet
from longsoak_dashboards.drawing.wash import Wash, shade

_COUNTS = (Flag.PASS, Flag.NOT_EVALUATED)
# Where wood-equivalents are of nothing that wets like wood: no scale of wood is drawn for them.
_UNLIKE_WOOD = (
    Material.LIME,
    Material.MASONRY,
    Material.CONCRETE,
    Material.INSULATION,
    Material.OTHER,
)
_SLACK = 1e-6  # mm: what adding decimal fractions costs


@dataclass(frozen=True, slots=True)
class BayWash:
    """What is shaded of one bay, what its values are of, and what is said below it."""

    washes: tuple[Wash, ...]
    quantities: frozenset[Quantity]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Alike:
    """Pins whose values mean the same, in layers that lie against each other."""

    layers: tuple[str, ...]
    quantity: Quantity
    curve: str | None  # None where the figure means the same under any
    shaded: bool


def bay_wash(
    sheet: Sheet, bay: Bay, probes: Iterable[Probe], readings: Mapping[str, Reading], *, now_ms: int
) -> BayWash:
    """Shade one bay between its good pins.

    Only readings that pass or were not judged count, and only while they stand for `now_ms`. Values
    that do not mean the same are never mixed: moisture content, wood-equivalent and that of dowels
    each by itself, and beyond dowels none over a boundary between unlike layers.

    Parameters
    ----------
    sheet : Sheet
        Where each probe is drawn.
    bay : Bay
        Its layers.
    probes : iterable of Probe
        Those of the bay that have a depth and a height.
    readings : mapping of str to Reading
        The last of each, as flagged.
    now_ms : int
        The time that is shown, UTC, ms since 1970.
    """
    groups: dict[_Alike, list[Probe]] = defaultdict(list)
    for probe in probes:
        if probe.quantity is not None and probe.depth is not None:
            groups[_alike(bay, probe, probe.depth, probe.quantity)].append(probe)
    washes, quantities = [], set()
    unlike, few = [], []
    left_out: Counter[str] = Counter()
    for alike, pins in groups.items():
        if not alike.shaded:
            unlike.append(alike)
            continue
        why = {pin.name: _left_out(pin, readings.get(pin.name), now_ms=now_ms) for pin in pins}
        left_out.update(words for words in why.values() if words)
        wash = shade(
            (*sheet.place(pin), readings[pin.name].value or 0.0)
            for pin in pins
            if not why[pin.name]
        )
        if wash is None:
            few.append(alike)
        else:
            washes.append(wash)
            quantities.add(alike.quantity)
    one = len(groups) == 1
    notes = [*(_few(alike, one=one) for alike in few), *_unlike(unlike, one=one)]
    if washes and left_out:
        said = ", ".join(f"{count} {words}" for words, count in left_out.items())
        notes.append(f"Not in the wash: {said}.")
    return BayWash(tuple(washes), frozenset(quantities), tuple(notes))


def _left_out(probe: Probe, reading: Reading | None, *, now_ms: int) -> str:
    """Why a pair of pins does not count; empty where it does."""
    if reading is None:
        return "not read"
    if reading.reason is Reason.SET_ASIDE:
        return "set aside after a contact"
    if reading.flag not in _COUNTS:
        return reading.flag.word
    if reading.value is None:
        return "without a value"
    age_ms = now_ms - reading.utc_ms
    return "too old" if age_ms > patience_ms(probe) or age_ms < -AHEAD_S * 1000 else ""


def _alike(bay: Bay, probe: Probe, depth: float, quantity: Quantity) -> _Alike:
    """The layers over which a probe's value means the same, and whether a scale of wood fits it."""
    layers = bay.layers
    if quantity is Quantity.DOWEL:  # the same wood wherever it sits
        return _Alike(tuple(layer.name for layer in layers), quantity, None, shaded=True)
    ends = list(accumulate(layer.thickness for layer in layers))
    own = next((i for i, end in enumerate(ends) if depth < end - _SLACK), len(layers) - 1)
    material = layers[own].material
    first = last = own
    while first and layers[first - 1].material is material:
        first -= 1
    while last + 1 < len(layers) and layers[last + 1].material is material:
        last += 1
    names = tuple(layer.name for layer in layers[first : last + 1])
    if quantity is Quantity.MOISTURE_CONTENT and material is Material.TIMBER:
        return _Alike(names, quantity, None, shaded=True)
    # Under another curve the same figure is another moisture.
    shaded = quantity is Quantity.MOISTURE_CONTENT or material not in _UNLIKE_WOOD
    return _Alike(names, quantity, probe.curve, shaded)


def _few(alike: _Alike, *, one: bool) -> str:
    """Why there is no wash where there could be one."""
    where = "" if one else f" in {_named(alike)}"
    return f"No wash{where}: it needs three good pins that are not on one line."


def _unlike(found: Sequence[_Alike], *, one: bool) -> list[str]:
    """Why there is none in layers that are no wood."""
    if not found:
        return []
    names = " and ".join(dict.fromkeys(_named(alike) for alike in found))
    where = "" if one else f" in {names}"
    return [
        f"No wash{where}: under a curve for wood, pins in a mineral layer compare with themselves "
        "only."
    ]


def _named(alike: _Alike) -> str:
    if alike.quantity is Quantity.DOWEL:
        return "the dowels"
    return " and ".join(dict.fromkeys(alike.layers))
