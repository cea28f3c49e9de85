"""The web pages: read the record, append requests, never measure."""
