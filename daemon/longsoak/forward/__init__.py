"""Cursors over the record that copy it to other places."""
