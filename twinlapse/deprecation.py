"""Public names that go: they warn for one minor version and say what to use instead.

In the module that had the name:

    _RENAMED = {"old_name": Renamed(new="new_name", since="0.2")}

    def __getattr__(name: str) -> Any:
        return renamed(globals(), _RENAMED, name)

A test fails when such a name outlives its version.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["Renamed", "renamed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Renamed:
    """What became of a public name."""

    new: str
    since: str  # the minor version that renamed it, such as "0.2"

    @property
    def gone_in(self) -> str:
        """The minor version that has the old name no more."""
        major, minor = self.since.split(".")
        return f"{major}.{int(minor) + 1}"


def renamed(module: Mapping[str, Any], names: Mapping[str, Renamed], name: str) -> Any:
    """Return what a former name of a module stands for, and warn; for use in the module's ``__getattr__``.

    Raises
    ------
    AttributeError
        when the module never had this name.
    """
    room = module["__name__"]
    if name not in names:
        raise AttributeError(f"module {room!r} has no attribute {name!r}")
    found = names[name]
    warnings.warn(
        f"{room}.{name} is called {room}.{found.new} since {found.since} and goes in {found.gone_in}",
        DeprecationWarning,
        stacklevel=3,
    )
    return module[found.new]
