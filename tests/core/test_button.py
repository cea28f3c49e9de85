"""What counts as a press of a button."""

import pytest

from longsoak.core.button import Press, Told, look


def told(*looks: tuple[float, bool | None]) -> list[Told]:
    state, found = Press(), []
    for now, pressed in looks:
        state, news = look(state, pressed, now)
        found += [] if news is None else [news]
    return found


@pytest.mark.parametrize(
    ("looks", "news"),
    [
        ([(0, False), (1, True), (1.2, False)], [Told.PRESSED]),
        ([(0, False), (1, True), (10.9, True), (10.95, False)], [Told.PRESSED]),
        ([(0, False), (1, True), (11.0, False)], []),  # somebody leans on it
        ([(0, True), (0.4, False)], []),  # it was down before anybody looked
        ([(0, None), (1, True), (1.2, False)], []),
        ([(0, False), (1, True), (2, None), (3, False)], []),  # nobody saw it let go
        ([(0, False), (1, True), (2, None), (3, True), (4, False)], []),
        ([(0, False), (1, True), (1.2, False), (2, True), (2.2, False)], [Told.PRESSED] * 2),
        ([(0, False), (1, True), (61.5, True), (90, True), (95, False)], [Told.STUCK, Told.FREE]),
        ([(0, True), (61, True), (62, False)], [Told.STUCK, Told.FREE]),
    ],
)
def test_a_press_is_seen_to_begin_and_to_end_within_ten_seconds(
    looks: list[tuple[float, bool | None]], news: list[Told]
) -> None:
    assert told(*looks) == news
