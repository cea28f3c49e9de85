"""Who may read the pages, who may change, and how fast anybody may ask."""
