"""The error tree: one root, one class a cause, each error knowing its place in a file.

Each class is also the standard exception that a programmer would catch: `FileProblemError` is an OSError,
`MissingFileError` a FileNotFoundError, `RigError` a ValueError. Only ``cli`` turns errors into exit codes;
everything below raises and lets pass.
"""

from __future__ import annotations

import errno
from os import PathLike, fspath

__all__ = [
    "CaptureError",
    "FileProblemError",
    "FrameError",
    "GcodeError",
    "InjectError",
    "JobError",
    "MissingFileError",
    "MissingJobError",
    "NoRoomError",
    "NotAPrintError",
    "PlanError",
    "ProofError",
    "RenderError",
    "RigError",
    "TwinlapseError",
]


class TwinlapseError(Exception):
    """What went wrong, where, and what the user can do about it.

    Parameters
    ----------
    what : str
        One clause without a full stop: what is wrong.
    hint : str, optional
        One clause: what to do.
    path : path-like, optional
        The file that holds the fault.
    line : int, optional
        1-based line in that file.
    """

    def __init__(
        self, what: str, hint: str = "", *, path: str | PathLike[str] | None = None, line: int | None = None
    ) -> None:
        super().__init__(what)
        self.what = what
        self.hint = hint
        self.path = None if path is None else fspath(path)
        self.line = line

    def __str__(self) -> str:
        place = (
            ""
            if self.path is None
            else f"{self.path}: "
            if self.line is None
            else f"{self.path}:{self.line}: "
        )
        return f"{place}{self.what}{'; ' + self.hint if self.hint else ''}"


class FileProblemError(TwinlapseError, OSError):
    """A file cannot be opened, read or written, or is not of the kind that was asked for."""

    def __init__(
        self, what: str, hint: str = "", *, path: str | PathLike[str] | None = None, line: int | None = None
    ) -> None:
        super().__init__(what, hint, path=path, line=line)
        self.filename = self.path


class MissingFileError(FileProblemError, FileNotFoundError):
    """There is no such file."""

    def __init__(
        self, what: str, hint: str = "", *, path: str | PathLike[str] | None = None, line: int | None = None
    ) -> None:
        super().__init__(what, hint, path=path, line=line)
        self.errno = errno.ENOENT


class NoRoomError(TwinlapseError, MemoryError):
    """There is too little memory for a piece of work; said before it starts."""


class GcodeError(TwinlapseError, ValueError):
    """A sliced file cannot be read as a filament print."""


class NotAPrintError(GcodeError):
    """The file is a program for something else (milling, laser, resin) or extrudes no material."""


class RigError(TwinlapseError, ValueError):
    """A rig file has a fault: unknown key, wrong type, value out of range."""


class PlanError(TwinlapseError, ValueError):
    """A plan cannot be made or does not belong to the file."""


class InjectError(TwinlapseError, ValueError):
    """Shots cannot be written into the file or taken out of it."""


class ProofError(InjectError):
    """The written file does not print what the original prints."""


class JobError(TwinlapseError, ValueError):
    """A job folder is not what it should be."""


class MissingJobError(JobError, FileNotFoundError):
    """There is no such job folder."""


class FrameError(TwinlapseError, ValueError):
    """Frames are missing, damaged or cannot be used."""


class CaptureError(TwinlapseError, RuntimeError):
    """A camera, a cue or the capture service failed."""


class RenderError(TwinlapseError, ValueError):
    """A film cannot be made."""
