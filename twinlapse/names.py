"""What a camera may be called: its name goes into cues, file names and addresses."""

from __future__ import annotations

import re

__all__ = ["CAMERA_NAME"]

# Windows keeps some names for devices (Microsoft, "Naming files, paths, and namespaces"): no folder has them
_DEVICES = r"(?:[Cc][Oo][Nn]|[Pp][Rr][Nn]|[Aa][Uu][Xx]|[Nn][Uu][Ll]|(?:[Cc][Oo][Mm]|[Ll][Pp][Tt])[0-9])"
CAMERA_NAME = re.compile(rf"(?!{_DEVICES}(?![A-Za-z0-9_-]))[A-Za-z0-9][A-Za-z0-9_-]{{0,31}}")
