"""`longsoak weigh`, run as a user runs it."""

import json
from pathlib import Path

from processes import longsoak, running
from whole.thermorig import lay_out


def test_the_specimen_is_weighed_and_its_gain_is_listed(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with running(rig_file) as run:
        run.says("recording")
        for first in (812.4, 818.4):
            readings = [x for n in range(3) for x in ("--reading", str(first + 0.1 * n))]
            done = longsoak(
                "weigh", rig_file, "By the hoist", *readings, "--gear", "14.2", "--scale", "hoist",
                "--drained", "20", "--by", "mk",
            )  # fmt: skip
            assert (done.returncode, done.stderr) == (0, "")
            assert "No service window is open: open one with `longsoak service`" in done.stdout
            assert "nobody stands under it" in done.stdout
        refused = longsoak("weigh", rig_file, "Once", "--reading", "812", "--scale", "hoist",
                           "--drained", "20", "--by", "mk")  # fmt: skip
        assert refused.returncode == 2
        assert "A weighing has 3 readings or more: lift it anew" in refused.stderr
        assert run.stop() == 0
    listed = longsoak("weigh", rig_file).stdout
    assert "798.30 ± 0.25 kg, pump off, drained 20 min" in listed
    assert "+6.00" in listed
    told = json.loads(longsoak("weigh", rig_file, "--json").stdout)
    assert [each["gear_kg"] for each in told] == [14.2, 14.2]
    assert "798.30 ± 0.25 kg, pump off" in longsoak("note", rig_file).stdout


def test_it_asks_for_what_is_missing(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    done = longsoak("weigh", rig_file, "How", "--reading", "812")
    assert done.returncode == 2
    assert "Say which --scale, and for how many minutes it --drained." in done.stderr
