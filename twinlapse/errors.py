"""The error tree: one root, one class a cause, each error knowing its place in a file.

Only ``cli`` turns these into exit codes; everything below raises and lets pass.
"""

from __future__ import annotations

from os import PathLike, fspath


class TwinlapseError(Exception):
    """What went wrong, where, and what the user can do about it.

    Parameters
    ----------
    what : str
        One clause without a full stop: what is wrong.
    mend : str, optional
        One clause: what to do.
    path : path-like, optional
        The file that holds the fault.
    line : int, optional
        1-based line in that file.
    """

    def __init__(
        self, what: str, mend: str = "", *, path: str | PathLike[str] | None = None, line: int | None = None
    ) -> None:
        super().__init__(what)
        self.what = what
        self.mend = mend
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
        return f"{place}{self.what}{'; ' + self.mend if self.mend else ''}"


class FileProblemError(TwinlapseError):
    """A file cannot be opened, read or written, or is not of the kind that was asked for."""


class GcodeError(TwinlapseError):
    """A sliced file cannot be read as a filament print."""


class NotAPrintError(GcodeError):
    """The file is a program for something else: milling, laser, resin, or it lays no material."""


class RigError(TwinlapseError):
    """A rig file has a fault: unknown key, wrong type, value out of range."""


class PlanError(TwinlapseError):
    """A plan cannot be made or does not belong to the file."""


class InjectError(TwinlapseError):
    """Shots cannot be written into the file or taken out of it."""


class ProofError(InjectError):
    """The written file does not print what the original prints."""


class JobError(TwinlapseError):
    """A job folder is not what it should be."""


class FrameError(TwinlapseError):
    """Pictures are missing, damaged or cannot be used."""


class CaptureError(TwinlapseError):
    """A camera, a cue or the capture service failed."""


class RenderError(TwinlapseError):
    """A film cannot be made."""
