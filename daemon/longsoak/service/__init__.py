"""The shell around the pure core: clock, buses, recorder, outlets."""
