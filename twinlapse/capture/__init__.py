"""Camera sources, cues, lights and power, the service and its page."""
