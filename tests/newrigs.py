"""Answers for new rigs: those of one panel, and drawn at random whatever else; all invented."""

from collections.abc import Mapping
from itertools import accumulate, pairwise

from hypothesis import strategies as st
from hypothesis.strategies import DrawFn, SearchStrategy

from longsoak.rigfile.newrig.answers import DRIVERS, Role
from longsoak.rigfile.report import toml
from longsoak.vocabulary.rig import Material

# What is typed at every question of `longsoak new`; an empty line takes what is in brackets.
PANEL = (
    *("my rig", "Does water reach the timber?", "1", "420", "1"),
    *("panel", "600", "render", "20", "3", "timber panel", "100", "1", ""),
    *("no", "30 60", "60 210", ""),
    *("", "", "", "", "", "", "", "", "", ""),
    *("1", "1"),
    *("1", "", "1", "1", "1", "1", "17"),
    "1",
)

Raw = dict[str, object]
_TENTHS = 10.0
_NAMES: SearchStrategy[str] = st.text(
    st.characters(codec="utf-8", categories=("L", "N", "P", "S", "Zs")), min_size=1, max_size=24
).filter(lambda text: text == text.strip() and text.isprintable())


def _mm(low: float, high: float) -> SearchStrategy[float]:
    """A length in tenths of a millimetre."""
    return st.integers(int(low * _TENTHS), int(high * _TENTHS)).map(lambda tenths: tenths / _TENTHS)


@st.composite
def _layers(draw: DrawFn, total: float | None) -> list[Raw]:
    """Layers of any materials; `total` is what they have to be together."""
    if total is None:
        thicknesses = draw(st.lists(_mm(1, 400), min_size=1, max_size=5))
    else:
        cuts = draw(st.lists(_mm(0.5, total - 0.5), max_size=4, unique=True))
        ends = [0.0, *sorted(cuts), total]
        thicknesses = [round(b - a, 1) for a, b in pairwise(ends) if b > a]
    return [
        {
            "name": draw(_NAMES),
            "material": str(draw(st.sampled_from(list(Material)))),
            "thickness": thickness,
        }
        for thickness in thicknesses
    ]


@st.composite
def answers(draw: DrawFn) -> Raw:
    """What a file of answers may hold, as `tomllib` reads it: all of it good."""
    stands = draw(
        st.sampled_from(
            ["over water", "in water", "lying, wetted from below", "lying, wetted from above"]
        )
    )
    lies = stands != "over water"
    height = draw(_mm(20, 3000))
    dowels = draw(st.booleans())
    bays: list[Raw] = []
    names = draw(st.lists(_NAMES, min_size=1, max_size=4, unique=True))
    control = draw(st.integers(0, 4))
    for place, name in enumerate(names):
        width = draw(_mm(5, 2000))
        layers = draw(_layers(height if lies else None))
        thick = sum(float(str(layer["thickness"])) for layer in layers)
        ends = list(accumulate(float(str(layer["thickness"])) for layer in layers))
        depths = draw(st.lists(_mm(0, max(0.0, thick - 0.1)), min_size=1, max_size=4, unique=True))
        if not dowels:
            depths = [d for d in depths if all(abs(d - end) > 0.01 for end in ends)] or [0.0]
        most = width if lies else height
        along = draw(st.lists(_mm(0, most), min_size=1, max_size=4, unique=True))
        bays.append(
            {
                "name": name,
                "width": width,
                "layers": layers,
                "depths": depths,
                "across" if lies else "heights": along,
                **({"control": True} if place == control else {}),
            }
        )
    thermometers = draw(st.booleans())
    sides = st.lists(st.sampled_from(["wet", "dry"]), min_size=not thermometers, unique=True)
    raw: Raw = {
        "name": draw(_NAMES),
        "stands": stands,
        "width": round(sum(float(str(bay["width"])) for bay in bays), 1),
        "breadth" if lies else "height": draw(_mm(20, 900)) if lies else height,
        "layout": draw(st.sampled_from(["minimum", "sceptic-proof"])),
        "thermometers": thermometers,
        "dowels": dowels,
        "air": draw(sides),
        "bays": bays,
        "buses": draw(_buses()),
        "underside": draw(_mm(0, 400)),
    }
    if draw(st.booleans()):
        del raw["air"]
    if draw(st.booleans()):
        raw["question"] = 'Does "water" reach the timber?'
    if draw(st.booleans()):
        raw |= draw(_water())
    if draw(st.booleans()):
        raw["mail"] = {"host": "localhost", "from": "rig@example.org", "to": ["keeper@example.org"]}
    if draw(st.booleans()):
        mqtt = {"host": "localhost", "prefix": "longsoak/new", "user": "rig"}
        raw["mqtt"] = mqtt | {"password_file": "mqtt-password"}
    return raw


@st.composite
def _water(draw: DrawFn) -> Raw:
    needs = draw(_mm(0, 100))
    stop = round(needs + draw(_mm(4, 100)), 1)
    float_at = round(stop + draw(_mm(0.5, 50)), 1)
    reservoir = {
        "length": draw(_mm(50, 3000)),
        "breadth": draw(_mm(50, 3000)),
        "rim": round(float_at + draw(_mm(0, 50)), 1),
        "stop": stop,
        "pump_needs": needs,
        **({"float_at": float_at} if draw(st.booleans()) else {}),
    }
    return {"reservoir": reservoir, "underside": round(float_at + draw(_mm(0.5, 100)), 1)}


@st.composite
def _buses(draw: DrawFn) -> Mapping[str, Raw]:
    """Any driver for any role; all that share a serial driver share its port."""
    found: dict[str, Raw] = {}
    for role in Role:
        driver = draw(st.sampled_from([*DRIVERS[role], None]))
        if driver in ("lines", "scpi", "modbus", "sdi12"):
            found[role] = {"driver": driver, "port": f"/dev/serial/by-id/usb-{driver}"}
        elif driver is not None:
            found[role] = {"driver": driver}
    return found


def text_of(raw: Mapping[str, object]) -> str:
    """Answers as a file would hold them."""
    return "".join(f"{key} = {toml(value)}\n" for key, value in raw.items())
