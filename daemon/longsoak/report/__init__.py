"""The record as files that anyone can read: tables, a description of them, and their digests."""
