"""Survey frames to a map of the bed and its gaps."""
