"""Shots into a sliced file, and out of it again, with an independent proof of what was written."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from twinlapse.inject.proof import Check, Proof, prove
    from twinlapse.inject.removal import RemoveReport, remove_shots
    from twinlapse.inject.writing import InjectReport, inject_file

__all__ = ["Check", "InjectReport", "Proof", "RemoveReport", "inject_file", "prove", "remove_shots"]

_HOMES = {
    "Check": "proof",
    "Proof": "proof",
    "prove": "proof",
    "RemoveReport": "removal",
    "remove_shots": "removal",
    "InjectReport": "writing",
    "inject_file": "writing",
}


def __getattr__(name: str) -> Any:
    """Import a name's module when it is first asked for: writing and proving load numpy and the compiler."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    import importlib

    return getattr(importlib.import_module(f"{__name__}.{_HOMES[name]}"), name)
