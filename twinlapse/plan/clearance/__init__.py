"""Clearance: the height map of the growing print, and paths around what stands too high."""
