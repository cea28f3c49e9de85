"""What months of readings amount to, with how sure that is. Pure."""
