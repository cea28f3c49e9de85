"""A release: what `deploy/release.sh` refuses, and what it builds, in a clone of its own."""

import os
import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
PACKAGES = {
    "daemon": "longsoak",
    "drivers": "longsoak_drivers",
    "dashboards": "longsoak_dashboards",
    "demo": "longsoak_demo",
}
VERSION = "9.8.7"


def git(clone: Path, *words: str) -> str:
    """Ask git, as somebody whose name is none."""
    who = ("-c", "user.name=nobody", "-c", "user.email=nobody@localhost")
    done = subprocess.run(
        ["git", *who, *words], cwd=clone, capture_output=True, text=True, check=True
    )
    return done.stdout


@pytest.fixture
def clone(tmp_path: Path) -> Path:
    """A clone with all that lies in the working tree committed, and no tag."""
    kept = tmp_path / "clone"
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard", "-z"],
        cwd=TOP, capture_output=True, text=True, check=True,
    )  # fmt: skip
    for name in listed.stdout.split("\0"):
        if name and (TOP / name).is_file():
            (kept / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(TOP / name, kept / name)
    git(kept, "init", "--quiet", "--initial-branch", "main")
    commit(kept)
    return kept


def commit(clone: Path) -> None:
    git(clone, "add", "--all")
    git(clone, "commit", "--quiet", "--allow-empty", "--message", "as it is")


def ready(clone: Path) -> None:
    """Make of the clone what a release has to be."""
    project, changes = clone / "pyproject.toml", clone / "CHANGELOG.md"
    text = project.read_text()
    (was,) = [line for line in text.splitlines() if line.startswith("version = ")]
    project.write_text(text.replace(was, f'version = "{VERSION}"', 1))
    lines = changes.read_text().replace("## Unreleased", f"## Unreleased\n\n## {VERSION}", 1)
    changes.write_text(lines)
    newest = max((clone / "tests/store/kept").iterdir())
    shutil.copytree(newest, clone / "tests/store/kept" / VERSION)


def release(clone: Path, *words: str) -> "subprocess.CompletedProcess[str]":
    """Run the script."""
    return subprocess.run(
        ["sh", "deploy/release.sh", *words],
        cwd=clone,
        env={**os.environ, "PYTHON": sys.executable, "GIT_COMMITTER_NAME": "nobody",
             "GIT_COMMITTER_EMAIL": "nobody@localhost"},
        capture_output=True, text=True, check=False,
    )  # fmt: skip


def refused(clone: Path, *words: str) -> str:
    """Why there is no release."""
    done = release(clone, *words)
    assert (done.returncode, git(clone, "tag")) == (2, ""), done.stdout + done.stderr
    assert not (clone / "dist").exists()
    return done.stderr


def test_each_thing_that_is_missing_is_told_before_anything_is_built(clone: Path) -> None:
    assert "name the version" in refused(clone)
    assert f"not {VERSION}. Set it there" in refused(clone, VERSION)
    ready(clone)
    assert "something is not committed" in refused(clone, VERSION)
    commit(clone)
    changes = clone / "CHANGELOG.md"
    text = changes.read_text()
    changes.write_text(text.replace("## Unreleased\n", "## Unreleased\n\n- One more.\n", 1))
    commit(clone)
    assert "has something under Unreleased" in refused(clone, VERSION)
    changes.write_text(text.replace(f"## {VERSION}\n", ""))
    commit(clone)
    assert f"has no line '## {VERSION}'" in refused(clone, VERSION)
    changes.write_text(text)
    (clone / "tests/store/kept" / VERSION / "record.db").unlink()
    commit(clone)
    assert f"kept/{VERSION}/record.db is missing" in refused(clone, VERSION)


@pytest.mark.long
@pytest.mark.timeout(600)
def test_a_release_is_built_tried_and_tagged_once(clone: Path) -> None:
    ready(clone)
    commit(clone)
    done = release(clone, "--check", VERSION)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.endswith("All is well; no tag was set.\n")
    assert git(clone, "tag") == ""
    sums = (clone / "dist/SHA256SUMS").read_text()

    done = release(clone, VERSION)
    assert done.returncode == 0, done.stdout + done.stderr
    assert git(clone, "tag").split() == [VERSION]
    assert (clone / "dist/SHA256SUMS").read_text() == sums  # the same to the last byte
    subprocess.run(["sha256sum", "--check", "SHA256SUMS"], cwd=clone / "dist", check=True)
    again = release(clone, VERSION)
    assert again.returncode == 2
    assert f"there is a tag {VERSION} already" in again.stderr

    wheel = set(zipfile.ZipFile(clone / f"dist/longsoak-{VERSION}-py3-none-any.whl").namelist())
    tracked = git(clone, "ls-files").split("\n")
    for folder, package in PACKAGES.items():
        ours = {
            n.removeprefix(f"{folder}/") for n in tracked if n.startswith(f"{folder}/{package}/")
        }
        assert len(ours) > 5
        assert ours == {name for name in wheel if name.startswith(f"{package}/")}
    with tarfile.open(clone / f"dist/longsoak-{VERSION}.tar.gz") as archive:
        inside = {name.removeprefix(f"longsoak-{VERSION}/") for name in archive.getnames()}
    assert inside - {"PKG-INFO"} == {name for name in tracked if name}
