"""The rig file: TOML in, vocabulary out, every mistake told at once."""
