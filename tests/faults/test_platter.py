"""What may be left of what was written, and what must be."""

from pathlib import Path

import pytest

from faults.chance import drawn_from
from faults.platter import PAGE, SECTOR, File, Folder, Platter

OLD, NEW = b"o", b"n"
PAGES = 5


def rewritten() -> File:
    """A file whose pages were synced, and then written anew."""
    file = File()
    file.write(OLD * PAGES * PAGE, 0)
    file.sync()
    file.write(NEW * PAGES * PAGE, 0)
    return file


def test_what_was_synced_is_left_whole() -> None:
    file = rewritten()
    file.resize(2 * PAGE + 100)
    file.write(b"end", 3 * PAGE)
    file.sync()
    assert not file.differs
    assert all(file.left(drawn_from(n)) == (file.now, 0) for n in range(50))


def test_of_pages_that_were_not_synced_none_all_or_any_are_left_and_a_last_one_is_torn() -> None:
    seen = set()
    for n in range(300):
        content, kept = rewritten().left(drawn_from(n))
        sectors = [content[at : at + SECTOR] for at in range(0, len(content), SECTOR)]
        assert all(sector in (OLD * SECTOR, NEW * SECTOR) for sector in sectors)
        new = {at * SECTOR // PAGE for at, sector in enumerate(sectors) if sector[:1] == NEW}
        torn = content.count(NEW) % PAGE > 0
        seen.add("none" if not kept else "all" if kept == PAGES else "some")
        seen.update({"torn"} if torn else ())
        seen.update({"a gap"} if new and len(new) < max(new) + 1 else ())
    assert seen == {"none", "all", "some", "torn", "a gap"}


def test_a_new_length_that_was_not_synced_is_left_or_not() -> None:
    def lengths(size: int) -> set[int]:
        found = set()
        for n in range(100):
            file = rewritten()
            file.sync()
            file.resize(size)
            found.add(len(file.left(drawn_from(n))[0]))
        return found

    assert lengths(PAGE) == {PAGE, PAGES * PAGE}
    assert {PAGES * PAGE, 7 * PAGE} <= lengths(7 * PAGE)


@pytest.fixture
def platter(tmp_path: Path) -> Platter:
    """One with two files, synced, and what lies on it afterwards in `disk`."""
    folder = tmp_path / "disk"
    folder.mkdir()
    (folder / "one").write_bytes(b"1")
    (folder / "two").write_bytes(b"2")
    return Platter(folder)


def left(platter: Platter, folder: Path, seed: int) -> dict[str, bytes]:
    """What a cut leaves, by name."""
    platter.leave(drawn_from("names", seed))
    files = (path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): path.read_bytes() for path in files}


def test_names_are_left_for_sure_only_once_their_folder_was_synced(
    platter: Platter, tmp_path: Path
) -> None:
    new = File()
    new.write(b"3", 0)
    new.sync()
    platter.make("/three", new)
    platter.unlink("/one")
    found = [set(left(platter, tmp_path / "disk", n)) for n in range(60)]
    assert {"one", "two"} in found
    assert {"two", "three"} in found
    assert all("two" in names for names in found)
    platter.sync_folder("/")
    for n in range(20):
        assert left(platter, tmp_path / "disk", n) == {"two": b"2", "three": b"3"}


def test_a_file_moved_over_another_is_there_under_one_name_or_the_other(
    platter: Platter, tmp_path: Path
) -> None:
    platter.rename("/one", "/two")
    found = [left(platter, tmp_path / "disk", n) for n in range(40)]
    before, after = {"one": b"1", "two": b"2"}, {"two": b"1"}
    assert all(names in (before, after) for names in found)
    assert before in found
    assert after in found


def test_what_lies_in_a_folder_whose_name_is_gone_is_gone(platter: Platter, tmp_path: Path) -> None:
    platter.make("/in", Folder())
    platter.rename("/one", "/in/one")
    platter.sync_folder("/in")
    found = [set(left(platter, tmp_path / "disk", n)) for n in range(40)]
    assert {"two"} in found
    assert {"two", "in/one"} in found
