"""Plan, take and edit the time-lapse film of a filament print seen by two cameras.

The functions are those of `twinlapse.api`, imported when they are first asked for:

    import twinlapse

    rig = twinlapse.load_rig("rig.toml")
    plan = twinlapse.plan("part.gcode", rig)
    report = twinlapse.inject("part.gcode", plan, "filmed.gcode")
    assert report.proof.holds
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from twinlapse.api import (
        copy_sample,
        first_layer,
        inject,
        layers,
        load_plan,
        load_rig,
        make_job,
        plan,
        prove,
        read,
        read_sliced,
        rehearse,
        remove,
        render,
        sample_job,
        time,
    )

__version__ = "0.1.0"

__all__ = [
    "__version__",
    "copy_sample",
    "first_layer",
    "inject",
    "layers",
    "load_plan",
    "load_rig",
    "make_job",
    "plan",
    "prove",
    "read",
    "read_sliced",
    "rehearse",
    "remove",
    "render",
    "sample_job",
    "time",
]


def __getattr__(name: str) -> Any:
    """Import the front door when it is first asked for, so that `twinlapse --help` need not."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from twinlapse import api

    return getattr(api, name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})


class _CallableRoom(ModuleType):
    """A package that is also the function of its name: ``twinlapse.plan(...)``, ``twinlapse.plan.chart``."""

    def __call__(self, *args: Any, **named: Any) -> Any:
        from twinlapse import api

        return getattr(api, self.__name__.rpartition(".")[2])(*args, **named)


class _FrontDoor(ModuleType):
    """The package itself: ``twinlapse.plan`` and ``twinlapse.inject`` stay callable once they are imported.

    Importing a package sets it as an attribute of its parent, in the place of the function.
    """

    def __setattr__(self, name: str, value: Any) -> None:
        if name in ("plan", "inject") and type(value) is ModuleType:
            value.__class__ = _CallableRoom
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _FrontDoor
