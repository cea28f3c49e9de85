"""What pairs of pins share is worked out once; each still reads as it would by itself."""

from dataclasses import replace
from math import hypot, isnan
from struct import pack

from hypothesis import given, settings
from hypothesis import strategies as st

from longsoak.core.convert import Conversion, Converted, judged_moisture
from longsoak.core.indication import COLDEST, WARMEST
from longsoak.core.judge import SPANS, gross_range
from longsoak.core.resistance import Budget, moisture_content, parts_of, prepare
from longsoak.core.warmth import Warmth, by_depth
from longsoak.rigfile.curves import shipped
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.rig import Kind, Probe, Rig, StandIn
from longsoak.vocabulary.sample import Absence, Missing, Sample
from service.benchrig import bench

PATIENCE = 3 * 60 + 60  # s, as convert.py has it: three polls and a minute
THERMOMETERS = ("wood", "dry side")


def rig() -> Rig:
    """The bench rig with pairs of pins in company, on meters that leak or reach less far."""
    plain = bench()
    pin, wood = (next(p for p in plain.probes if p.name == name) for name in ("pin", "wood"))
    pins = [
        replace(pin, name="pin 0"),
        replace(pin, name="pin 1"),
        replace(pin, name="pin 2", depth=120.0),
        replace(pin, name="pin 3", temperatures=THERMOMETERS),
        replace(pin, name="pin 4", temperatures=THERMOMETERS, depth=200.0),
        replace(pin, name="pin 5", stand_in=StandIn(2.0, last_good=6)),
        replace(pin, name="pin 6", stand_in=StandIn(3.0, probe="dry side")),
        replace(pin, name="pin 7", stand_in=StandIn(5.0, fixed=20.0)),
        replace(pin, name="pin 8", curve="Douglas-fir, closed form"),
        replace(pin, name="pin 9", bus="leaky"),
        replace(pin, name="pin 10", bus="leaky", depth=120.0),
    ]
    meter = next(bus for bus in plain.buses if bus.name == "meter")
    wood = replace(wood, every=60.0, record=60.0)
    return replace(
        plain,
        probes=(wood, replace(wood, name="dry side", depth=0.0), *pins),
        buses=(*plain.buses, replace(meter, name="leaky", insulation=1e9, most=2e9, accuracy=0.03)),
        curves=shipped(),
    )


RIG = rig()
PINS = {probe.name: probe for probe in RIG.probes if probe.kind is Kind.PINS}


class OneByOne:
    """Every pair of pins by itself, by the functions that check their arguments each time."""

    def __init__(self) -> None:
        self.curves = {name: prepare(curve) for name, curve in RIG.curves.items()}
        self.buses = {bus.name: bus for bus in RIG.buses}
        self.last: dict[str, tuple[float, float]] = {}

    def notice(self, sample: Sample | Missing, now: float) -> None:
        if isinstance(sample, Sample):
            flag, _ = gross_range(sample.value, Kind.TEMPERATURE)
            if flag is Flag.PASS:
                self.last[sample.probe] = (sample.value, now)

    def pins(self, probe: Probe, ohm: float, now: float) -> Converted:
        warmth = self.warmth(probe, now)
        bus, doubt = self.buses[probe.bus], {}
        if warmth is not None:
            doubt = {"temperature": warmth.uncertainty}
        assert probe.curve is not None
        value, uncertainty, flag, reason = judged_moisture(
            ohm,
            None if warmth is None else warmth.temperature,
            self.curves[probe.curve],
            Budget(meter=bus.accuracy, insulation=bus.insulation, **doubt),
            most=bus.most,
        )
        if warmth is not None and warmth.stand_in and flag is Flag.PASS:
            flag, reason = Flag.SUSPECT, reason or Reason.STAND_IN_TEMPERATURE
        return Converted(ohm, "Ohm", value, uncertainty, flag, reason)

    def warmth(self, probe: Probe, now: float) -> Warmth | None:
        found, plan = self.told(probe, probe.temperatures, now, PATIENCE), probe.stand_in
        if found is None and plan is not None:
            if plan.fixed is not None:
                found = Warmth(plan.fixed, plan.uncertainty, stand_in=True)
            else:
                names = probe.temperatures if plan.probe is None else (plan.probe,)
                hold = PATIENCE if plan.last_good is None else 3600 * plan.last_good
                told = self.told(probe, names, now, hold)
                if told is not None:
                    found = Warmth(told[0], hypot(told[1], plan.uncertainty), stand_in=True)
        return found if found is not None and COLDEST <= found[0] <= WARMEST else None

    def told(
        self, probe: Probe, names: tuple[str, ...], now: float, patience: float
    ) -> Warmth | None:
        if any(name not in self.last or now - self.last[name][1] > patience for name in names):
            return None
        depths = [next(p.depth for p in RIG.probes if p.name == name) for name in names]
        return by_depth(probe.depth, depths, [self.last[name][0] for name in names])


def bits(row: Converted) -> tuple[object, ...]:
    """A reading to the last bit; NaN is one thing, and the two zeros are two."""
    return tuple(
        "nan" if isinstance(x, float) and isnan(x) else pack("<d", x) if type(x) is float else x
        for x in row
    )


# Few temperatures, so that they often stay the same from one scan to the next.
celsius = st.sampled_from([18.0, 18.0625, 44.0, 55.0, 85.0]) | st.floats(-40.0, 80.0)
ohms = st.floats(2.0, 13.0).map(lambda x: 10.0**x) | st.sampled_from([9.9e37, 0.0, -3.0, 1e4])
scans = st.lists(
    st.tuples(
        st.sampled_from([60.0, 60.0, 200.0, 4000.0, 40000.0]),  # s since the one before
        st.dictionaries(st.sampled_from(THERMOMETERS), st.none() | celsius),
        st.dictionaries(st.sampled_from(sorted(PINS)), st.none() | ohms, min_size=1),
    ),
    min_size=1,
    max_size=6,
)


@settings(max_examples=300)
@given(scans)
def test_pins_that_share_a_thermometer_read_as_each_would_by_itself(
    asked: list[tuple[float, dict[str, float | None], dict[str, float | None]]],
) -> None:
    conversion, one_by_one, now = Conversion(RIG), OneByOne(), 0.0
    for gap, temperatures, resistances in asked:
        now += gap
        silent = Absence.NO_ANSWER
        samples = [
            Missing(name, silent, "") if ohm is None else Sample(name, ohm, "Ohm")
            for name, ohm in resistances.items()
        ]
        warm = [
            Missing(name, silent, "") if t is None else Sample(name, t, "Cel")
            for name, t in temperatures.items()
        ]
        for sample in warm:
            one_by_one.notice(sample, now)
        found = conversion.convert([*samples, *warm], now=now)
        for (name, ohm), got in zip(resistances.items(), found, strict=False):
            if ohm is None:
                assert got.flag is Flag.MISSING
            else:
                assert bits(got) == bits(one_by_one.pins(PINS[name], ohm, now))


@given(st.sampled_from(list(Kind)), st.floats() | st.sampled_from([1.0, 100.0, 1e4, 1e11]))
def test_a_value_is_judged_by_the_span_it_leaves_first(kind: Kind, value: float) -> None:
    span = SPANS[kind]
    assert span.fail[0] <= span.suspect[0] < span.suspect[1] <= span.fail[1]
    expected = Flag.PASS, Reason.NONE
    for (low, high), flag in ((span.suspect, Flag.SUSPECT), (span.fail, Flag.FAIL)):
        if value < low:
            expected = flag, span.below
        if value > high:
            nearly = span.nearly if flag is Flag.SUSPECT else None
            expected = flag, nearly or span.above
    if isnan(value):
        expected = Flag.MISSING, Reason.NO_ANSWER
    assert gross_range(value, kind) == expected


@given(st.sampled_from(sorted(shipped())), st.floats(3.0, 13.0), st.floats(COLDEST, WARMEST))
def test_the_parts_of_an_uncertainty_add_up_to_it(name: str, x: float, celsius: float) -> None:
    curve, budget = prepare(shipped()[name]), Budget(insulation=1e10)
    whole = moisture_content(10.0**x, celsius, curve, budget).uncertainty
    assert whole == hypot(*parts_of(10.0**x, celsius, curve, budget).values())
