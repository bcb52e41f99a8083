"""Frames out of continuous recordings: standstills found, matched to the stops of a plan, extracted."""
