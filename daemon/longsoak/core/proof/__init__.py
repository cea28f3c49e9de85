"""Proving the wiring: which steps a channel takes, how each is judged, and what stands. Pure."""
