"""Longsoak: measures, judges and keeps a specimen's wetting and drying for months."""
