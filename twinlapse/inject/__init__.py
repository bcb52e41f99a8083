"""The lines of one shot, weaving them in, taking them out, the proof."""
