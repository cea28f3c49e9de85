"""A new rig: answers in, a rig file with its comments out."""
