"""When it happens: how long each move takes on a machine with finite acceleration."""
