"""When each camera shoots: its schedule, the gaps in the printing, the insertion point of each shot."""
