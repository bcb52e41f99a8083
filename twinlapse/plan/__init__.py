"""Which layers, which moments, where to stand, what is in the way, the chart."""
