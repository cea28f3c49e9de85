"""Any reading there can be makes a payload that its published schema takes."""

import json

from hypothesis import given
from hypothesis import strategies as st

from brokers import validate
from longsoak.forward.readings import Payloads
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Reading
from rigs import small_rig

RIG = small_rig()
_NUMBERS = st.none() | st.floats()
_TEXT = st.text(st.characters(exclude_categories=["Cs"]))


@given(
    st.builds(
        Reading,
        probe=st.sampled_from([probe.name for probe in RIG.probes]) | _TEXT,
        utc_ms=st.integers(0, 253_402_300_799_999),  # to the end of the year 9999
        raw=_NUMBERS,
        raw_unit=_TEXT,
        value=_NUMBERS,
        uncertainty=st.none() | st.floats(min_value=0),
        flag=st.sampled_from(Flag),
        reason=st.sampled_from(Reason),
    ),
    st.integers(1),
    st.booleans(),
)
def test_any_reading_is_told_as_the_schema_says(
    reading: Reading, scan: int, time_sure: bool
) -> None:
    payload = Payloads(RIG).of(reading, run="0123456789ab", scan=scan, time_sure=time_sure)
    validate("reading", json.dumps(payload, allow_nan=False))
    assert payload["probe"] == reading.probe
    assert (payload["bound"] is None) or payload["uncertainty"] is None
