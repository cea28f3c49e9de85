"""View models: what a sheet says, worked out purely from rig, readings and a time."""
