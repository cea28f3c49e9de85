"""Which reading can be believed: checks on every reading, and what days on end tell. Pure."""
