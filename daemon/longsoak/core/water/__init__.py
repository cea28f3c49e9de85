"""The water under the specimen: how much there is, where it goes, and what it touches."""
