"""Which of the pictures that arrive around a cue becomes its frame.

A frame counts when it was exposed wholly within the standstill: its earliest begin is not before the machine
stood, its latest end not after it leaves. A camera that can prove this is waited for beyond the dwell, since
pictures of the standstill may still be under way. Where nothing is proven, the first picture is kept that is
fresh by the age that the rig states, and the row says that this was assumed.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from twinlapse.cameras.exposure import Basis
from twinlapse.cameras.latest_frame import SeenPicture

__all__ = ["ShotWindow"]


@dataclass(slots=True)
class ShotWindow:
    """Looks at pictures in the order of their arrival; times are monotonic seconds.

    Parameters
    ----------
    stood_s, leave_s : float
        The standstill: from the cue, or from the light that was switched for it, to the end of the dwell.
    patience_s : float
        How long after it a picture is waited for that proves its time; 0: the camera proves nothing.
    """

    stood_s: float
    leave_s: float
    patience_s: float
    best: SeenPicture | None = field(default=None)  # what is taken when nothing is proven

    @property
    def deadline_s(self) -> float:
        """When to stop waiting."""
        return self.leave_s + self.patience_s

    def offer(self, seen: SeenPicture) -> bool:
        """Return whether this picture is the frame."""
        bounds = seen.bounds
        if bounds.basis.proven and bounds.earliest_s >= self.stood_s and bounds.latest_s <= self.leave_s:
            self.best = seen
            return True
        fresh = seen.trusted and bounds.assumed_s >= self.stood_s and bounds.latest_s <= self.leave_s
        if not fresh or self.best is not None or bounds.basis is Basis.STAMP:
            return False
        self.best = seen
        return not self.patience_s

    @property
    def proven(self) -> bool:
        """Whether `best` was exposed within the standstill beyond doubt."""
        if self.best is None:
            return False
        bounds = self.best.bounds
        return bounds.basis.proven and bounds.earliest_s >= self.stood_s and bounds.latest_s <= self.leave_s
