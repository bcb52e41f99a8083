"""Bad input to whole commands: one line that says what and what to do, exit status 2, nothing left behind."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
RIG = ROOT / "sample_jobs" / "seedling_pot" / "rig.toml"
POT = ROOT / "sample_jobs" / "seedling_pot" / "pot.gcode"

FILES = {
    "empty.gcode": b"",
    "binary.gcode": bytes(range(256)) * 20,
    "mill.nc": b"%\nO1000 (LABEL)\nG54\nM3 S12000\nG0 X0 Y0\nG1 Z-1 F100\nG1 X50 F300\nM5\nM30\n%\n",
    "laser.gcode": b"G21\nG90\nM4 S0\nG0 X10 Y10\nG1 X50 S500 F1000\nG1 Y50\nM5\n",
    "dry.gcode": b"G28\nG90\nG1 X10 Y10 F3000\nG1 X50\n",
    "words.gcode": b"hello gardeners\n",
    "odd_key.toml": RIG.read_bytes().replace(b"height_mm", b"heigth_mm", 1),
    "odd_value.toml": RIG.read_bytes().replace(b'"bed-moves-y"', b'"bed-move-y"'),
    "no_toml.toml": b"[printer\n",
    "frames/000001.jpg": b"no picture",
}

CASES = [
    ("analyse nowhere.gcode", "nowhere.gcode: there is no such G-code file"),
    ("analyse frames", "frames: this is a folder"),
    ("analyse empty.gcode", "empty.gcode: this G-code file is empty"),
    ("analyse binary.gcode", "binary.gcode: this is binary data"),
    ("analyse mill.nc", "machine tool"),
    ("analyse laser.gcode", "laser"),
    ("analyse dry.gcode", "extrude"),
    ("analyse words.gcode", "no G-code moves"),
    ("plan words.gcode --rig {rig} -o out.json", "no G-code moves"),
    ("plan {pot} --rig nowhere.toml -o out.json", "there is no such rig file"),
    ("plan {pot} --rig odd_key.toml -o out.json", 'odd_key.toml:5: printer.heigth_mm: there is no such key'),
    ("plan {pot} --rig odd_value.toml -o out.json", 'did you mean "bed-moves-y"?'),
    ("plan {pot} --rig no_toml.toml -o out.json", "no_toml.toml:1: this is not TOML"),
    ("inject mill.nc --rig {rig} -o out.gcode", "machine tool"),
    ("inject {pot} --plan words.gcode -o out.gcode", "words.gcode:1: this plan is not JSON"),
    ("inject {pot} --plan {rig} -o out.gcode", "make one with 'twinlapse plan'"),
    ("plan {rig} --rig {pot}", "this is G-code, not a rig file; name the sliced file first"),
    ("prove {pot} {pot}", "there are no shots in this file; name the file that inject wrote"),
    ("inject {pot} --rig {rig} -o nowhere/out.gcode", "its folder does not exist"),
    ("inject --remove {pot} -o out.gcode", "nothing of twinlapse in this file"),
    ("prove {pot} nowhere.gcode", "nowhere.gcode: there is no such"),
    ("rehearse binary.gcode --rig {rig} -o out", "binary data"),
    ("render frames -o out.mp4", "neither plan.json nor frames/"),
    ("render nowhere -o out.mp4", "no such job folder"),
    ("render --frames wide=frames -o out.mp4", "none of these frames can be read"),
    ("render --frames wide=nowhere -o out.mp4", "no folder with frames"),
    ("render --frames frames -o out.mp4", "write --frames wide=frames"),
    ("demo words.gcode", "a file has this name"),
    ("rig check odd_key.toml", "did you mean"),
    ("first-layer nowhere", "no such job folder; make one with 'twinlapse make-job'"),
    ("capture nowhere", "no such job folder; make one with 'twinlapse make-job'"),
    ("capture {pot}", "this is a file, not a job folder"),
    ("plan {pot}", "missing option '-r' / '--rig'; 'twinlapse rig new' writes a rig file"),
    ("analize {pot}", 'there is no command "analize"; did you mean "analyse"?'),
    ("rig chek {rig}", 'rig: there is no command "chek"; did you mean "check"?'),
    ("firstlayer nowhere", "firstlayer is called first-layer now"),
    ("plan {pot} --rig {rig} --chart out.png", "plan: --chart is called --drawing now"),
    ("render frames -o out.mp4 --seconds 3", "render: --seconds is called --length-s now"),
    ("plan {pot} --rig {rig} --drawing out.gif", "out.gif: its name must end in .png, .svg or .html"),
    ("plan {pot} --rig {rig} -o -", "the result is a file; name it"),
    ("plan {pot} --rig {rig} --why roof", "names no shot and no layer"),
    ("inject {pot} -o out.gcode", "name either --rig or --plan; 'twinlapse rig new' writes a rig file"),
    ("rig keys attic", "there is no section attic; write one of printer,"),
]  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bad")
    for name, data in FILES.items():
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_bytes(data)
    return folder


@pytest.fixture
def run(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> Callable[[str], tuple[int, str]]:
    from twinlapse.cli import main

    def call(words: str) -> tuple[int, str]:
        monkeypatch.chdir(folder)
        monkeypatch.setattr(sys, "argv", ["twinlapse", *words.format(rig=RIG, pot=POT).split()])
        with pytest.raises(SystemExit) as stop:
            main()
        return int(stop.value.code or 0), capfd.readouterr().err

    return call


@pytest.mark.parametrize(("words", "said"), CASES, ids=[words for words, _ in CASES])
def test_one_clear_line(folder: Path, run: Callable[[str], tuple[int, str]], words: str, said: str) -> None:
    before = sorted(folder.rglob("*"))
    code, told = run(words)
    assert code == 2
    assert said in told
    assert "Traceback" not in told
    assert told.count("\n") == 1
    assert told.startswith("twinlapse: ")
    assert sorted(folder.rglob("*")) == before


def test_a_full_disk_leaves_the_old_file(
    run: Callable[[str], tuple[int, str]], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    (folder / "kept.json").write_text("old")
    monkeypatch.setattr("os.fsync", full)
    code, told = run("plan {pot} --rig {rig} -o kept.json --quiet")
    assert code == 2
    assert "No space left on device" in told
    assert (folder / "kept.json").read_text() == "old"
    assert not list(folder.glob(".*part"))
    (folder / "kept.json").unlink()


def test_a_fault_of_twinlapse_is_one_line_and_exit_3(
    run: Callable[[str], tuple[int, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(path: object) -> None:
        raise KeyError("unforeseen\nand long")

    monkeypatch.setattr("twinlapse.api.load_rig", broken)
    code, told = run("plan {pot} --rig {rig}")
    assert code == 3 and told.count("\n") == 1
    assert "this is a fault of twinlapse (KeyError" in told and "at twinlapse." in told
    code, told = run("plan {pot} --rig {rig} -v")
    assert (
        code == 3 and "Traceback" in told and told.splitlines()[-1].startswith("twinlapse: this is a fault")
    )


def test_the_user_can_stop_it(run: Callable[[str], tuple[int, str]], monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(path: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("twinlapse.api.load_rig", stopped)
    code, told = run("plan {pot} --rig {rig}")
    assert code == 130 and told.strip() == "twinlapse: stopped"


def test_gcode_comes_from_standard_input_too() -> None:
    command = [sys.executable, "-m", "twinlapse", "analyse", "-", "--no-layers", "--json"]
    done = subprocess.run(command, input=POT.read_bytes(), capture_output=True, check=True)
    assert json.loads(done.stdout)["layer_count"] == 140


def test_cautions_are_printed_whole_the_first_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from twinlapse.cli.cautions import say_cautions
    from twinlapse.cli.output import Output
    from twinlapse.inject.header import CAUTIONS

    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    counts = []
    for output in (Output(False, False), Output(False, False), Output(False, False, verbose=True)):
        say_cautions(output, Path("filmed.gcode"))
        counts.append(capsys.readouterr().out.count("CAUTION: "))
    assert counts == [len(CAUTIONS), 1, len(CAUTIONS)]
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "a file"))
    (tmp_path / "a file").write_text("")
    say_cautions(Output(False, False), Path("filmed.gcode"))
    assert capsys.readouterr().out.count("CAUTION: ") == len(CAUTIONS)


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys; sys.argv = ['twinlapse', '--help']\n"
        "from twinlapse.cli import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'numba', 'cv2', 'matplotlib', 'rich', 'PIL', 'starlette'} & set(sys.modules)\n"
        "sys.exit(repr(heavy) if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "demo" in done.stdout
