"""1-Wire thermometers, on a real kernel."""

from typing import Any

Told = dict[str, dict[str, Any]]


def test_thermometers_are_found_and_read_exactly(told: Told) -> None:
    # Sixteenths of a degree, of which the kernel gives three decimals and drops the rest.
    facts = told["thermometers"]
    assert facts["described"] == "2 of 2 thermometers under /sys/bus/w1/devices"
    assert facts["there"] == {"layer": [25.062, "Cel"], "air": [-10.125, "Cel"]}


def test_a_true_85_degrees_is_a_value_and_that_of_power_up_is_none(told: Told) -> None:
    facts = told["thermometers"]
    assert facts["hot"] == {"layer": [85.0, "Cel"]}
    assert facts["starved"]["layer"].startswith("refused: it had no supply to convert: its 85 degC")


def test_the_kernels_file_is_as_the_other_tests_have_it(told: Told) -> None:
    assert told["thermometers"]["file"] == (
        "50 05 4b 46 7f ff 10 10 bd : crc=bd YES\n50 05 4b 46 7f ff 10 10 bd t=85000\n"
    )


def test_a_thermometer_that_is_cut_off_is_missing_and_leaves_the_other(told: Told) -> None:
    facts = told["thermometers"]
    assert facts["cut"]["air"].startswith("no answer: it did not answer the kernel")
    assert facts["noticed"]["air"].startswith("no answer: no thermometer 28-000005e2fdc3")
    assert facts["cut"]["layer"] == facts["noticed"]["layer"] == [85.0, "Cel"]
