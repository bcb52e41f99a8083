"""Where a camera looks and what it sees: lens, pose, view and the window of a survey."""
