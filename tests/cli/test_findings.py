"""`longsoak findings` where it can't judge, in one sentence each."""

import os
from pathlib import Path

from processes import longsoak
from report.test_verdicts import kept, limit, wet


def test_without_numpy_it_says_what_to_install(tmp_path: Path) -> None:
    (tmp_path / "without").mkdir()
    (tmp_path / "without" / "numpy.py").write_text("raise ImportError('none here')\n")
    with kept(tmp_path, limit(), wrong=wet(25.0)) as rig:
        away = os.pathsep.join((str(tmp_path / "without"), os.environ.get("PYTHONPATH", "")))
        done = longsoak("findings", rig.rig_file, PYTHONPATH=away)
    assert done.returncode == 2
    assert done.stderr == (
        "Judging takes numpy, which is not installed here: pip install 'longsoak[analysis]'. "
        "Nothing was judged.\n"
    )


def test_one_time_and_everything_do_not_go_together(tmp_path: Path) -> None:
    with kept(tmp_path, limit(), wrong={}) as rig:
        done = longsoak("findings", rig.rig_file, "--all", "--at", "12:00")
    assert done.returncode == 2
    assert "--at shows one time; leave --all out." in done.stderr
