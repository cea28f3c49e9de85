"""The script of events: what is read, and what is refused with which words."""

from pathlib import Path

import pytest

from longsoak_demo.events import Event, EventsError, Kind, read_events

SHIPPED = Path(__file__).parents[2] / "demo" / "events.toml"


def write(folder: Path, text: str) -> Path:
    path = folder / "events.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_shipped_script_is_read_in_order_of_time() -> None:
    events = read_events(SHIPPED)
    assert [event.at for event in events] == sorted(event.at for event in events)
    assert {event.kind for event in events} >= {
        Kind.OVERFILL,
        Kind.PUMP_STOP,
        Kind.OPEN_WIRE,
        Kind.DRIFT,
        Kind.UNPLUG,
        Kind.MEND,
    }


def test_events_happen_in_order_of_time_whatever_the_order_in_the_file(tmp_path: Path) -> None:
    text = """
    [[events]]
    at = 9
    kind = "drift"
    probe = "cork 30/60"
    amount = 5
    [[events]]
    at = 2.5
    kind = "mend"
    """
    assert read_events(write(tmp_path, text)) == [
        Event(2.5, Kind.MEND),
        Event(9, Kind.DRIFT, probe="cork 30/60", amount=5),
    ]


KINDS = (
    '"overfill", "contact", "pump stop", "pump start", "open wire", "drift", "short", "stuck", '
    '"step", "creep", "noise", "leakage", "polarisation", "gain", "silence", "unplug", '
    '"replug", "mend"'
)
BUSES = "meter, front end, air, timber, tray, over water, shop"
BAD = [
    ("[[event]]\nat = 1", "{file}: event is not known here, expected [[events]]."),
    ("events = 3", "{file}: events is 3, expected tables. Write [[events]]."),
    ("events = [3]", "{file}: events[0] is 3, expected a table. Write [[events]]."),
    ('[[events]]\nkind = "mend"', "{file}: events[0].at is None, expected a number."),
    ('[[events]]\nat = "1"\nkind = "mend"', "{file}: events[0].at is '1', expected a number."),
    ('[[events]]\nat = nan\nkind = "mend"', "{file}: events[0].at is nan, expected a number."),
    (
        '[[events]]\nat = -1\nkind = "mend"',
        "{file}: events[0].at is -1, expected seconds after the start, 0 or more.",
    ),
    (
        '[[events]]\nat = 1\nkind = "flood"',
        f"{{file}}: events[0].kind is 'flood', expected one of {KINDS}.",
    ),
    (
        '[[events]]\nat = 1\nkind = ["mend"]',
        f"{{file}}: events[0].kind is ['mend'], expected one of {KINDS}.",
    ),
    (
        '[[events]]\nat = 1\nkind = "pump stop"\nprobe = "water level"',
        "{file}: events[0].probe is not known for pump stop, expected at, kind.",
    ),
    (
        '[[events]]\nat = 1\nkind = "drift"\nprobe = "water level"',
        "{file}: events[0].amount is missing; drift needs it.",
    ),
    (
        '[[events]]\nat = 1\nkind = "unplug"\nbus = "cellar"',
        f"{{file}}: events[0].bus is 'cellar', which this rig hasn't got: {BUSES}.",
    ),
    (
        '[[events]]\nat = 1\nkind = "silence"',
        "{file}: events[0].probe is missing; silence needs a probe or a bus.",
    ),
    (
        '[[events]]\nat = 1\nkind = "mend"\nprobe = "water level"\nbus = "air"',
        "{file}: events[0] has a probe and a bus, expected one of the two.",
    ),
    (
        '[[events]]\nat = 1\nkind = "overfill"\namount = 0',
        "{file}: events[0].amount is 0, expected litres above 0.",
    ),
]


@pytest.mark.parametrize(("text", "message"), BAD)
def test_a_bad_script_is_refused_in_one_sentence(tmp_path: Path, text: str, message: str) -> None:
    path = write(tmp_path, text)
    with pytest.raises(EventsError) as refused:
        read_events(path)
    assert str(refused.value) == message.format(file=path)


def test_a_probe_the_rig_has_not_got_is_named_with_those_it_has(tmp_path: Path) -> None:
    path = write(tmp_path, '[[events]]\nat = 1\nkind = "open wire"\nprobe = "cork 30/61"')
    with pytest.raises(EventsError, match=r"'cork 30/61'.*hasn't got: cork 30/60, cork 30/160"):
        read_events(path)


@pytest.mark.parametrize("content", [b"at = ", b"\xff\xfe"])
def test_what_is_no_toml_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "events.toml"
    path.write_bytes(content)
    with pytest.raises(EventsError, match=r"events.toml: is not TOML: "):
        read_events(path)


def test_a_missing_script_is_named(tmp_path: Path) -> None:
    with pytest.raises(EventsError, match=r"gone.toml: can't be read: No such file"):
        read_events(tmp_path / "gone.toml")
