"""Write plain moves in the units and modes of a file, keeping track of the machine's position."""

from __future__ import annotations

from dataclasses import dataclass, field

from twinlapse.gcode import ModalState

__all__ = ["INCH_MM", "MoveWriter", "number"]

INCH_MM = 25.4  # by definition (ISO 80000-3)
_SAME_MM = 1e-6  # the last of six decimals: closer places are written the same
_AXES = "XYZ"


def number(value: float, digits: int = 6) -> str:
    """Return a number without exponent, trailing zeros or a negative zero."""
    text = f"{value:.{digits}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


@dataclass(slots=True)
class MoveWriter:
    """Collects lines of plain moves that begin at a known state.

    Places are machine millimetres. In relative mode every word is rounded before it is counted, so the way
    back is the exact sum of the way out and nothing drifts.
    """

    state: ModalState
    e_per_mm: float  # E words for a millimetre of filament, in the file's unit
    lines: list[str] = field(default_factory=list)
    place_mm: list[float] = field(default_factory=list)
    e_word: float = 0.0

    def __post_init__(self) -> None:
        self.place_mm = [self.state.x_mm, self.state.y_mm, self.state.z_mm]
        self.e_word = self.state.e_word

    @property
    def unit_mm(self) -> float:
        """Millimetres in the file's unit of length."""
        return INCH_MM if self.state.inch else 1.0

    def say(self, line: str) -> None:
        """Write a line that moves nothing."""
        self.lines.append(line)

    def go(
        self,
        speed_mm_s: float,
        *,
        x_mm: float | None = None,
        y_mm: float | None = None,
        z_mm: float | None = None,
    ) -> None:
        """Move along the named axes; write nothing if the nozzle is there already."""
        words = [
            self._word(axis, target)
            for axis, target in enumerate((x_mm, y_mm, z_mm))
            if target is not None and abs(target - self.place_mm[axis]) > _SAME_MM
        ]
        if words:
            self.lines.append(f"G1 {' '.join(words)} {self.feed(speed_mm_s)}")

    def go_home(self, speed_mm_s: float, axes: str) -> None:
        """Move the named axes back to where the block began."""
        state = self.state
        there = {"x_mm": state.x_mm, "y_mm": state.y_mm, "z_mm": state.z_mm}
        self.go(speed_mm_s, **{f"{axis}_mm": there[f"{axis}_mm"] for axis in axes})

    def feed_filament(self, filament_mm: float, speed_mm_s: float) -> None:
        """Feed filament: backward when negative."""
        word = round(filament_mm * self.e_per_mm, 5)
        self.e_word += word
        digits = 5 if self.state.relative_e else 9
        said = number(word if self.state.relative_e else self.e_word, digits)
        self.lines.append(f"G1 {self.state.e_letter}{said} {self.feed(speed_mm_s)}")

    def restore_e(self) -> None:
        """Emit G92 E where needed, so that the logical E equals its value before the block."""
        if abs(self.e_word - self.state.e_word) > 1e-9:
            self.e_word = self.state.e_word
            self.lines.append(f"G92 {self.state.e_letter}{number(self.e_word, 9)}")

    def feed(self, speed_mm_s: float) -> str:
        """Return the F word of a speed: per minute, in the file's unit."""
        return f"F{number(speed_mm_s * 60 / self.unit_mm, 3 if self.unit_mm == 1.0 else 5)}"

    def _word(self, axis: int, target_mm: float) -> str:
        if self.state.relative_xyz:
            step = round((target_mm - self.place_mm[axis]) / self.unit_mm, 6)
            self.place_mm[axis] += step * self.unit_mm
            return f"{_AXES[axis]}{number(step)}"
        self.place_mm[axis] = target_mm
        return f"{_AXES[axis]}{number((target_mm + self.state.shift_mm[axis]) / self.unit_mm)}"
