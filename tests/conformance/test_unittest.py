"""The kit under the standard library's test runner: begun early, as it takes seconds."""

import subprocess
import sys


def test_the_kit_needs_no_other_runner_to_be_imported() -> None:
    benches = "serialbench, tcpbench, folderbench"
    asked = (
        f"import sys; from longsoak.testing import suite, {benches}; print('pytest' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"


def test_it_passes_the_kit_without_any_other_test_runner(
    kit_run: "subprocess.Popen[str]",
) -> None:
    said, _ = kit_run.communicate(timeout=60)
    assert kit_run.returncode == 0, said
    assert "test_silence_is_missing (check_fourtemps.TestFourTemps" in said
    assert "skipped 'not shown: a read from a wire comes back when its time limit is over'" in said
    assert "FAILED" not in said
