"""The GPIO driver on its bench, one check at a time: what its lines are faked at is shared."""

from conformance.gpiobench import GpioBench
from longsoak.testing.suite import DriverSuite


class TestGpio(DriverSuite):
    def bench(self) -> GpioBench:
        return GpioBench()
