"""The read-only interface for programs."""
