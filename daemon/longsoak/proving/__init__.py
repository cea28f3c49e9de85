"""Proving the wiring: what the terminal and the pages share, on top of the record."""
