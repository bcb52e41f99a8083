"""Film settings from a rig file or a plan, with single ones overridden by name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from twinlapse.errors import RenderError, RigError
from twinlapse.film.options import FilmOptions, options_from_rig
from twinlapse.rig.film_settings import Filming
from twinlapse.rig.reader import read_rig, rig_from_mapping
from twinlapse.rig.schema import read_record
from twinlapse.rig.toml_fields import Table
from twinlapse.shots import Plan

__all__ = ["film_options", "overridden"]


def film_options(rig: Path | None, plan: Plan | None, overrides: Mapping[str, Any]) -> FilmOptions:
    """Return the options of a film.

    Parameters
    ----------
    rig : Path, optional
        A rig file; without one the plan's own copy counts, without that the standard.
    plan : Plan, optional
    overrides : mapping
        Values of keys of the ``[film]`` table; None is passed over.

    Raises
    ------
    RenderError
        when a value is not one that the ``[film]`` table takes.
    """
    if rig is not None:
        options = options_from_rig(read_rig(rig))
    elif plan is not None and plan.rig:
        options = options_from_rig(rig_from_mapping(plan.rig))
    else:
        options = FilmOptions()
    return replace(options, filming=overridden(options.filming, overrides))


def overridden(filming: Filming, overrides: Mapping[str, Any]) -> Filming:
    """Return `filming` with the given keys read anew."""
    given = {key: value for key, value in overrides.items() if value is not None}
    try:
        read = read_record(Filming, Table(given))
    except RigError as error:
        raise RenderError(error.what, error.hint) from None
    names = [field.name for field in fields(Filming) if field.name in given]
    return replace(filming, **{name: getattr(read, name) for name in names})
