"""`import twinlapse`: light, typed by name, callable, with errors that are also the standard ones."""

from __future__ import annotations

import doctest
import importlib
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import twinlapse
from twinlapse import api, progress, records
from twinlapse.errors import FileProblemError, MissingFileError, RigError


def test_the_import_is_light() -> None:
    script = "import sys, twinlapse; print(sorted({'numpy', 'cv2', 'numba', 'click'} & set(sys.modules)))"
    said = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "[]"


def test_names_are_those_of_the_api() -> None:
    assert {*twinlapse.__all__} == {*api.__all__, "__version__"} - {"StrPath"}
    assert all(getattr(twinlapse, name) is not None for name in twinlapse.__all__)
    assert set(twinlapse.__all__) <= set(dir(twinlapse))
    with pytest.raises(AttributeError, match="no attribute 'attic'"):
        twinlapse.attic  # noqa: B018


def test_a_room_of_the_same_name_stays_callable() -> None:
    importlib.import_module("twinlapse.plan.summary")
    importlib.import_module("twinlapse.inject.header")
    assert callable(twinlapse.plan) and callable(twinlapse.inject)
    with pytest.raises(FileNotFoundError):
        twinlapse.plan("there/is/none.gcode", "there/is/none.toml")
    assert importlib.import_module("twinlapse.plan").make_plan is not None


@pytest.mark.parametrize("module", [api, progress], ids=lambda module: module.__name__)
def test_the_examples_are_true(module: object) -> None:
    result = doctest.testmod(module)  # type: ignore[arg-type]
    assert result.attempted > 0 and result.failed == 0


def test_errors_are_also_the_standard_ones(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError) as caught:
        twinlapse.load_rig(str(tmp_path / "none.toml"))
    assert isinstance(caught.value, MissingFileError) and caught.value.filename.endswith("none.toml")
    bad = tmp_path / "rig.toml"
    bad.write_text("[printer]\nbed_mm = [1]\nheight_mm = 3\n")
    with pytest.raises(ValueError, match="not a list of 2 numbers") as wrong:
        twinlapse.load_rig(bad)
    assert isinstance(wrong.value, RigError)


def test_records_compare_and_print_shortly() -> None:
    sample = twinlapse.sample_job()
    rig = twinlapse.load_rig(sample / "rig.toml")
    sliced = twinlapse.read_sliced(str(sample / "pot.gcode"), rig)
    again = twinlapse.layers(sliced.toolpath)
    assert sliced.layers == again and sliced.layers != sliced.timeline
    assert sliced.toolpath == sliced.toolpath
    assert sliced != twinlapse.load_rig(sample / "rig.toml")
    plan = twinlapse.plan(sliced, rig)
    assert plan == twinlapse.plan(sliced, str(sample / "rig.toml"))
    for record in (sliced, sliced.toolpath, sliced.layers, sliced.timeline, plan, rig):
        assert len(repr(record)) < 2000 and "\n" not in repr(record)
        assert record != 3


def test_equality_goes_through_arrays_and_nan() -> None:
    same = records._same
    assert same(np.array([1.0, np.nan]), np.array([1.0, np.nan]))
    assert not same(np.array([1.0]), np.array([1.0, 2.0]))
    assert not same(np.array([1]), np.array([1.0]))
    assert same({"a": (np.zeros(2), 1)}, {"a": (np.zeros(2), 1)})
    assert not same([np.zeros(2)], [np.ones(2)])


def test_a_job_is_made_whole_or_not_at_all(tmp_path: Path) -> None:
    sample = twinlapse.sample_job()
    shares: list[float] = []
    job, plan = twinlapse.make_job(
        sample / "pot.gcode", sample / "rig.toml", tmp_path / "pot", progress=shares.append
    )
    assert sorted(path.name for path in job.folder.iterdir()) == [
        "filmed.gcode",
        "original.gcode",
        "plan.json",
        "rig.toml",
    ]
    assert shares == sorted(shares) and shares[-1] == 1.0
    assert twinlapse.load_plan(job.plan) == plan
    assert twinlapse.prove(job.original, job.filmed, job.rig).holds
    assert twinlapse.remove(job.filmed, tmp_path / "back.gcode").exact
    other = tmp_path / "other.gcode"
    other.write_bytes((sample / "pot.gcode").read_bytes() + b"; one line more\n")
    with pytest.raises(FileProblemError, match="another file's job"):
        twinlapse.make_job(other, sample / "rig.toml", job.folder)
    with pytest.raises(RigError):
        bad = tmp_path / "bad.toml"
        bad.write_text("[printer]\n")
        twinlapse.make_job(other, bad, tmp_path / "none")
    assert not (tmp_path / "none").exists()


def test_the_sample_is_copied_and_nothing_is_overwritten(tmp_path: Path) -> None:
    made = twinlapse.copy_sample(tmp_path / "new" / "pot")
    assert [path.name for path in made] == ["pot.gcode", "rig.toml"]
    assert made[1].read_bytes() == (twinlapse.sample_job() / "rig.toml").read_bytes()
    with pytest.raises(FileProblemError, match="there already"):
        twinlapse.copy_sample(tmp_path / "new" / "pot")
