"""The record: one SQLite file, one row per scan, one commit per scan."""
