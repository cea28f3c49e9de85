"""Air, wood, mould and uptake on a rig that has no numpy."""

import subprocess
import sys

WITHOUT_NUMPY = """
import sys

sys.modules["numpy"] = None  # importing it now fails
from longsoak.core.humidity import condensation_margin, dew_point, frost_point, vapour_pressure
from longsoak.core.mould import MouldState, Sensitivity, step
from longsoak.core.sorption import equilibrium_humidity, equilibrium_moisture
from longsoak.core.uptake import absorption_coefficient

print(round(dew_point(vapour_pressure(20, relative_humidity=50)), 1))
print(round(frost_point(vapour_pressure(25, relative_humidity=10)), 1))
print(condensation_margin(12, temperature=20, relative_humidity=50, u_surface=0.2,
                          u_temperature=0.2, u_relative_humidity=2).deposit.value)
print(round(equilibrium_humidity(20, moisture_content=equilibrium_moisture(
    20, relative_humidity=65)), 6))
print(round(step(MouldState(), temperature=20, relative_humidity=90, hours=24,
                 material=Sensitivity.VERY_SENSITIVE).index, 3))
print(absorption_coefficient([100, 400, 900, 1600], absorbed=[1, 2, 3, 4]).course.value)
"""


def test_single_values_need_no_numpy_and_whole_numbers_will_do() -> None:
    done = subprocess.run(
        [sys.executable, "-c", WITHOUT_NUMPY], capture_output=True, text=True, timeout=60
    )
    assert done.stderr == ""
    assert done.stdout.split("\n")[:-1] == [
        "9.3", "-7.7", "water", "65.0", "0.034", "straight throughout",
    ]  # fmt: skip
