"""What the demo's instruments read of a sensor that fails; nothing here is judged."""

from statistics import stdev

import pytest

from longsoak_demo.bench import NOISE, Bench
from longsoak_demo.events import Event, Kind
from longsoak_demo.faults import DAY
from longsoak_demo.physics import LONGEST_STEP, RenderPair
from longsoak_demo.places import BY_NAME, REFERENCE_OHMS
from longsoak_demo.wood import resistance

PIN, REFERENCE, HUMID = "cork 30/60", "meter reference", "air dry RH"


@pytest.fixture
def bench() -> Bench:
    return Bench(RenderPair(), seed=1)


def read(bench: Bench, name: str) -> float:
    return bench.reading(BY_NAME[name])


def later(bench: Bench, days: float) -> None:
    end = bench.pair.time + days * DAY
    while bench.pair.time < end:
        bench.pair.step(LONGEST_STEP)


def off(bench: Bench, name: str) -> float:
    """How far a reading is from what there is, as a share of it."""
    return read(bench, name) / bench.truth(BY_NAME[name]) - 1


def moisture_of(ohm: float, temperature: float) -> float:
    """The moisture content that has this resistance, by bisection."""
    low, high = 5.0, 30.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if resistance(middle, temperature) > ohm else (low, middle)
    return low


def test_a_short_is_next_to_nothing(bench: Bench) -> None:
    bench.apply(Event(0, Kind.SHORT, probe=PIN))
    assert 100 < read(bench, PIN) < 1000


@pytest.mark.parametrize("amount", [2.0, -2.0])
def test_a_step_moves_the_wood_by_its_amount_and_humidity_by_its_own(
    bench: Bench, amount: float
) -> None:
    for name in (PIN, HUMID):
        bench.apply(Event(0, Kind.STEP, probe=name, amount=amount))
    place = BY_NAME[PIN]
    assert place.bay is not None
    warmth = bench.pair.warmth(place.bay, depth=30)
    wet = bench.pair.moisture(place.bay, depth=30, height=60)
    assert moisture_of(read(bench, PIN), warmth) - wet == pytest.approx(amount, abs=0.2)
    assert read(bench, HUMID) - bench.truth(BY_NAME[HUMID]) == pytest.approx(amount, abs=1)


def test_a_creep_grows_with_time(bench: Bench) -> None:
    bench.apply(Event(0, Kind.CREEP, probe=HUMID, amount=30.0))
    assert read(bench, HUMID) - bench.truth(BY_NAME[HUMID]) == pytest.approx(0, abs=1)
    later(bench, 3)
    assert read(bench, HUMID) - bench.truth(BY_NAME[HUMID]) == pytest.approx(3, abs=1)


def test_a_gain_moves_all_resistances_of_its_bus_alike(bench: Bench) -> None:
    bench.apply(Event(0, Kind.GAIN, bus="meter", amount=100.0))
    later(bench, 3)
    assert read(bench, REFERENCE) / REFERENCE_OHMS == pytest.approx(1.1, abs=0.01)
    assert off(bench, PIN) == pytest.approx(0.1, abs=0.05)
    assert off(bench, "plain 30/60") == pytest.approx(0, abs=0.05)


def test_a_stuck_probe_says_one_thing_until_it_is_mended(bench: Bench) -> None:
    bench.apply(Event(0, Kind.STUCK, probe=HUMID))
    held = read(bench, HUMID)
    later(bench, 0.3)
    assert read(bench, HUMID) == held
    bench.apply(Event(0, Kind.MEND, probe=HUMID))
    assert read(bench, HUMID) != held


def test_leakage_soaks_in_and_conducts_beside_the_wood(bench: Bench) -> None:
    beside = bench.truth(BY_NAME["cork 170/360"])
    bench.apply(Event(0, Kind.LEAKAGE, probe="cork 170/360", amount=beside))
    assert off(bench, "cork 170/360") == pytest.approx(0, abs=0.05)
    later(bench, 20)
    wood = bench.truth(BY_NAME["cork 170/360"])
    assert read(bench, "cork 170/360") == pytest.approx(1 / (1 / wood + 1 / beside), rel=0.05)


@pytest.mark.parametrize(("name", "amount"), [(PIN, 0.2), (HUMID, 2.0)])
def test_a_loose_contact_wavers(bench: Bench, name: str, amount: float) -> None:
    bench.apply(Event(0, Kind.NOISE, probe=name, amount=amount))
    far = []
    for _ in range(60):
        bench.pair.step(60)
        far.append(off(bench, name) if name == PIN else read(bench, name))
    assert stdev(far) > 0.6 * amount > 5 * NOISE["pins"]
