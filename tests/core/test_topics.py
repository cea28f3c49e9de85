"""Topics keep what is named on one level, and give it back."""

from urllib.parse import unquote

from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.topics import alarm_topic, one_level, probe_topic, state_topic


def test_a_topic_keeps_a_name_on_one_level() -> None:
    assert alarm_topic("p", "silent: C 30/60+#\0") == "p/alarms/silent: C 30%2F60%2B%23%00"
    assert probe_topic("p", "C 30/60") == "p/probes/C 30%2F60"
    assert state_topic("p") == "p/state"


# The standard library's own percent-decoding reads back what was encoded by hand (RFC 3986, 2.1).
@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_any_name_makes_a_level_that_can_be_published_and_read_back(name: str) -> None:
    level = one_level(name)
    assert level.isascii()
    assert not set(level) & set("/+#\0")
    assert unquote(level) == name


def test_what_utf_8_cannot_carry_becomes_a_question_mark() -> None:
    assert one_level("a\ud800") == "a%3F"
