"""What months of readings come to: agreement, verdicts, comparisons, final values, plans. Pure."""
