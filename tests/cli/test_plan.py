"""`longsoak plan`: what it says, and that one specimen speaks of itself only."""

import json

from processes import longsoak

ASKED = ("2", "--specimens", "1", "--places", "1.5", "--reading", "0.3")


def test_each_way_to_build_a_test_is_told_with_what_it_speaks_of() -> None:
    done = longsoak("plan", *ASKED)
    assert done.returncode == 0
    assert "each kind in specimens of its own" in done.stdout
    assert "this specimen only: places in it are what is replicated" in done.stdout
    told = json.loads(longsoak("plan", *ASKED, "--json").stdout)
    assert {each["design"] for each in told} == {"separate", "paired", "one specimen"}
    assert all(each["power"] >= 0.8 for each in told)
    separate = [each["specimens"] for each in told if each["design"] == "separate"]
    assert separate == sorted(separate, reverse=True)  # more probes, fewer specimens


def test_what_can_t_be_found_ends_with_one() -> None:
    done = longsoak("plan", "0.001", "--specimens", "5", "--sides", "5", "--places", "9",
                    "--reading", "9")  # fmt: skip
    assert done.returncode == 1
    assert done.stdout.count("Not with 1000 specimens or probes") == 3


def test_a_number_that_is_none_is_told() -> None:
    done = longsoak("plan", "two", "--specimens", "1", "--places", "1", "--reading", "1")
    assert done.returncode == 2
    assert "'two' is not a difference" in done.stderr
