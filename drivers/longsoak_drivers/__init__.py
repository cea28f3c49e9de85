"""Bus drivers: one module per bus, each behind `longsoak.driver.BusDriver`."""
