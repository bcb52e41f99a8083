"""What a camera may be called: its name goes into cues, file names and addresses."""

from __future__ import annotations

import re

__all__ = ["CAMERA_NAME"]

CAMERA_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}")
