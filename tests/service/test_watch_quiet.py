"""An alarm that has nothing to say is passed over, and that changes nothing."""

from hypothesis import given
from hypothesis import strategies as st

from longsoak.service.alarmlives import At
from longsoak.service.watch import AlarmBook
from longsoak.vocabulary.alarm import AlarmChange
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Scan
from service.benchrig import T0, bench, scan


class EveryLook(AlarmBook):
    """One that takes no probe for quiet: every look goes through all of its alarms."""

    def scan(self, scan: Scan) -> list[AlarmChange]:
        self._quiet.clear()
        return super().scan(scan)


PROBES = sorted(probe.name for probe in bench().probes)
KEYS = sorted(plan.key for plan in bench().alarms)
FLAGGED = [
    (Flag.PASS, Reason.NONE),
    (Flag.SUSPECT, Reason.SHORT_CIRCUIT),
    (Flag.NOT_EVALUATED, Reason.NO_TEMPERATURE),
    (Flag.FAIL, Reason.OPEN_CIRCUIT),
    (Flag.MISSING, Reason.NO_ANSWER),
    (Flag.MISSING, Reason.BUS_DOWN),
]
looks = st.tuples(
    st.sampled_from(FLAGGED[:1] * 4 + FLAGGED),
    st.dictionaries(st.sampled_from(PROBES), st.sampled_from([0.0, 50.0, 99.0, 101.0])),
)


@given(
    st.lists(
        st.tuples(
            st.sampled_from([1, 10, 60, 400, 2000]),  # s since the one before
            looks,
            st.sampled_from(KEYS),  # of an alarm that somebody tries to acknowledge
            st.sampled_from([None, None, "unplugged"]),
        ),
        max_size=25,
    )
)
def test_a_probe_passed_over_because_all_is_well_would_have_changed_nothing(
    steps: list[tuple[int, tuple[tuple[Flag, Reason], dict[str, float]], str, str | None]],
) -> None:
    quick, slow, at = AlarmBook(bench(), {}, now=0.0), EveryLook(bench(), {}, now=0.0), 0
    for gap, ((flag, reason), values), answered, down in steps:
        at += gap
        shown = scan(float(at), flag, reason, **values)
        found = [
            (
                alarms.bus("meter", down, now=at, utc_ms=T0),
                alarms.scan(shown),
                alarms.tick(now=at, utc_ms=T0),
                alarms.lives.acknowledge(answered, by="mk", at=At(at, T0)),
            )
            for alarms in (quick, slow)
        ]
        assert found[0] == found[1]
