"""Drawings as SVG, from view models: sections to scale, traces over time."""
