"""Cameras: sources of pictures, JPEG, and the newest frame of each camera."""
