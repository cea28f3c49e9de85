"""A simulated rig, reached only through faked hardware at the lowest level."""
