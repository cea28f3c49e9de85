"""The words everything else is written in: frozen data, no behaviour beyond it."""
