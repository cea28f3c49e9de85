"""Every kept input, through its parser: what fuzzing reached stays reached, without the fuzzer."""

from pathlib import Path

import pytest

from fuzz.targets import TARGETS

CORPUS = Path(__file__).parent / "corpus"


@pytest.mark.parametrize("name", TARGETS)
def test_the_kept_inputs_hold(name: str) -> None:
    kept = sorted((CORPUS / name).iterdir())
    assert kept
    for path in kept:
        TARGETS[name](path.read_bytes())


def test_the_corpus_is_small_and_of_known_targets_only() -> None:
    assert {folder.name for folder in CORPUS.iterdir()} == set(TARGETS)
    files = [path for path in CORPUS.glob("*/*") if path.is_file()]
    assert len(files) < 200
    assert sum(path.stat().st_size for path in files) < 300_000
