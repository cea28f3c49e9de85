"""What the campaigns have found, each as small as it gets."""

from errno import EROFS
from pathlib import Path

from faults.preload import Kind, Preload
from faults.victim import Victim
from faults.witness import Witness

SEED = 11


def test_damaged_summaries_that_can_not_be_deleted_do_not_end_measuring(tmp_path: Path) -> None:
    folder = tmp_path / "record"
    folder.mkdir()
    preload = Preload(tmp_path, under=folder)

    def write(*, run: int, until: int) -> int:
        child = Victim(
            folder,
            seed=SEED,
            run=run,
            arguments=("--until", str(until)),
            environment=preload.environment,
        )
        assert child.end() == 0, child.said
        return child.heard.acknowledged

    write(run=0, until=50)
    (folder / "summaries.db").write_bytes(bytes(range(256)) * 64)
    preload.fail({Kind.UNLINK: EROFS})
    last = write(run=1, until=200)
    preload.close()
    assert Witness(SEED, tmp_path / "nothing").of(folder).complaints(last) == []
