"""When a picture can have been exposed: bounds that hold whatever the camera's pipeline does.

A picture's arrival says only that it was exposed before. A lower bound needs evidence:

* the driver's own stamp;
* a light that was switched: a picture that shows it was exposed after the switch, and every picture that
  follows adds at least the camera's shortest period (an anchor, and a clock that counts pictures);
* a sender's clock (the sampling time of RTP, RFC 3550 section 5.1), which carries an anchor on exactly.

Counting is what sees through a backlog. Pictures that were held up arrive later than their count says, and
that debt has to be paid by pictures before one counts as new. Without any evidence the age of the pipeline
is taken as the rig states it: then a frame is "assumed" to be fresh, never proven.
"""

from __future__ import annotations

import enum
import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median

from twinlapse.cameras.sources.base import CameraPicture

__all__ = ["FALLBACK_AGE_S", "LONGEST_AGE_S", "Basis", "ExposureBounds", "LightWitness", "PipelineClock"]

FALLBACK_AGE_S = (
    0.25  # USB camera or local stream at 10 pictures a second or more: common practice, no source
)
_CREDIT = 0.99  # a picture counts as this share of a period: drift and slow growth of the latency up to 1 %
_FORGIVEN = 1.005  # without evidence a debt from dropped pictures is forgiven at 0.5 % of elapsed time
_SENDER_DRIFT = 2e-4  # two crystals of 100 ppm each
_PACE_GAPS, _PACE_S = (
    20,
    1.0,
)  # the pace is the mean of so many gaps, or of so long: bursts of 2, 3, 5 even out
_FAST_GAPS = 10  # a higher pace would let the count run ahead: it is noticed sooner
_OFF_PACE = 0.25  # a pace that differs by more: a stall, a backlog or another rate
_NEW_RATE_AFTER = 24  # further pictures at another, constant pace: the camera changed its rate
_PERIOD_GAPS = 60  # a period is known after so many steady pictures
_OTHER_PERIOD, _SURE_PERIODS = 0.05, 5  # a period that differs by 5 % may be a slow backlog: it has to last
_PAYING_S = 0.03  # a debt that shrinks by so much is being paid (common practice, no source)
_CARRIED_S = 15.0  # seconds that an anchor is counted on: 1 % of it is 0.15 s
_DEBT_S = 0.15  # by which the count may lie behind the time: jitter (common practice, no source)
_OVERDUE_PERIODS = 3.0  # without a picture: a stall has begun
_BLINKS = 5  # the age is the largest of the newest blink and the median of so many
LONGEST_AGE_S = 8.0  # pictures that are older than this are past use: nobody waits for them
# Periods between the beginning of a picture's first row and a light that the picture shows. An exposure and a
# read-out take a period at most; with both that long, a mean of half the light is reached by a picture that
# began a period before the switch, any light at all by one that began two before.
_HALF_LIT, _FIRST_LIT = 1.1, 2.1
_OWN_LIGHT, _OTHER_LIGHT = 0.7, 1.4  # times the light's own brightness: less or more is something else's
# One with 90 % of it began at most 0.45 periods before it, or ended as long after it went out.
_HYSTERESIS = 0.1  # of the light's brightness, so that noise at half of it switches nothing
_SLOWED_S = 0.15  # a camera may have slowed down to this period a moment ago (common practice, no source)
_NEARLY_WHOLE, _WHOLE_LIT = 0.9, 0.45


class Basis(enum.StrEnum):
    """What a lower bound rests on."""

    STAMP = "stamp"  # the driver's time stamp
    LIGHT = "light"  # a light that was switched, and counted pictures or the sender's clock since
    ASSUMED = "assumed"  # the age that the rig states
    UNKNOWN = "unknown"  # nobody has measured the age of this pipeline

    @property
    def proven(self) -> bool:
        """Whether it is evidence and not a statement."""
        return self in (Basis.STAMP, Basis.LIGHT)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposureBounds:
    """Earliest begin and latest end of an exposure, in monotonic seconds of this host."""

    earliest_s: float  # proven; -inf when nothing proves anything
    latest_s: float
    basis: Basis  # of `earliest_s`; ASSUMED or UNKNOWN when only `assumed_s` is known
    assumed_s: float  # earliest begin if the pipeline is as old as the rig states and has no backlog


class PipelineClock:
    """Counts the pictures of one connection against elapsed time.

    Parameters
    ----------
    age_s : float or None
        Oldest picture of the undisturbed pipeline plus one period, as the rig states it; None: unknown.
    """

    def __init__(self, age_s: float | None) -> None:
        self._stated = age_s is not None
        self._age_s = FALLBACK_AGE_S if age_s is None else age_s
        self._blinks: deque[float] = deque(maxlen=_BLINKS)
        self.restart()

    def restart(self) -> None:
        """Start over with a new connection; measured ages are kept, anchors are not."""
        self._index = 0
        self._arrivals: deque[float] = deque(maxlen=41)
        self._stamps: deque[float] = deque(maxlen=4)
        self._steady_since: tuple[int, float] | None = None
        self._window_debt_s = 0.0
        self._off_pace = 0
        self._calm_for = 0
        self._period_s: float | None = None
        self._assumed_s = -math.inf
        self._anchor: _Anchor | None = None
        self._sender_offset_s = math.inf
        self._newest: CameraPicture | None = None

    @property
    def period_s(self) -> float:
        """Seconds from picture to picture while the flow is steady; a guess of 0.1 until it is known."""
        if self._period_s is not None:
            return self._period_s
        if len(self._arrivals) < 3:
            return 0.1
        gaps = _gaps(self._arrivals)
        return max(median(gaps), sum(gaps) / len(gaps), 1e-3)

    @property
    def longest_period_s(self) -> float:
        """Longest that an exposure and its read-out can take at present."""
        gaps = _gaps(list(self._arrivals)[-_FAST_GAPS - 1 :])
        return max(self.period_s, median(gaps[-5:]), sum(gaps) / len(gaps))

    @property
    def calm(self) -> bool:
        """Whether pictures arrive at the camera's own pace: no stall, no backlog, no change of rate."""
        return self._period_s is not None and self._calm_for >= _PACE_GAPS // 4

    @property
    def age_s(self) -> float | None:
        """Age of the pipeline as lights measured it: an upper bound; None before the first blink."""
        return max(self._blinks[-1], median(self._blinks)) if self._blinks else None

    def carries(self, now_s: float) -> bool:
        """Return whether an anchor holds on: by a sender's clock, or by a calm count without a stall."""
        anchor, newest = self._anchor, self._newest
        if anchor is None or newest is None or newest.asked or now_s - anchor.lit_since_s > _CARRIED_S:
            return False
        overdue_s = now_s - newest.arrived_s - _OVERDUE_PERIODS * self.longest_period_s
        return anchor.sender_s is not None or (self.calm and overdue_s < 0)

    @property
    def debt_s(self) -> float:
        """How far the newest picture lies behind what the stated age promises."""
        return 0.0 if self._newest is None else self._newest.arrived_s - self._age_s - self._assumed_s

    def arrived(self, picture: CameraPicture) -> ExposureBounds:
        """Take in the next picture and return when it can have been exposed."""
        self._index += 1
        self._newest = picture
        self._assume(picture)
        self._follow_pace(picture.arrived_s)
        if self._window_debt_s - self.debt_s > _PAYING_S:
            self._steady_since = None  # the pace of a backlog is not the camera's own
        if picture.exposed_s is not None:
            return self._stamped(picture, picture.exposed_s)
        earliest_s = self._since_anchor_s(picture)
        if earliest_s is not None:
            return self._bounds(picture, earliest_s, Basis.LIGHT)
        return self._bounds(picture, -math.inf, Basis.ASSUMED if self._stated else Basis.UNKNOWN)

    def anchor(self, lit_since_s: float, margin: float) -> ExposureBounds:
        """Say that the newest picture is the first that shows a light that was switched at `lit_since_s`.

        Its first row began at most `margin` periods before the switch.
        """
        assert self._newest is not None
        bound_s = lit_since_s - margin * max(self.longest_period_s, _SLOWED_S)
        if self._anchor is not None and self._anchor.lit_since_s == lit_since_s:
            self._blinks.pop()
        self._blinks.append(self._newest.arrived_s - bound_s)
        self._anchor = _Anchor(
            index=self._index,
            bound_s=bound_s,
            lit_since_s=lit_since_s,
            whole_after=math.ceil(margin),
            age_s=self.age_s or 0.0,
            sender_s=self._newest.sender_s,
        )
        return self._bounds(self._newest, bound_s, Basis.LIGHT)

    def forget_anchor(self) -> None:
        """Drop the anchor: the evidence no longer holds."""
        self._anchor = None

    def _bounds(self, picture: CameraPicture, earliest_s: float, basis: Basis) -> ExposureBounds:
        return ExposureBounds(
            earliest_s=min(earliest_s, picture.arrived_s),
            latest_s=picture.arrived_s,
            basis=basis,
            assumed_s=self._assumed_s,
        )

    def _stamped(self, picture: CameraPicture, exposed_s: float) -> ExposureBounds:
        # the camera may hold one picture back while it compresses it, or send it while it is read out
        stamped_s = picture.arrived_s if picture.stamped_s is None else picture.stamped_s
        self._stamps.append(stamped_s)
        period_s = max(self.period_s, *_gaps(self._stamps), 0.0)
        bounds = self._bounds(picture, exposed_s - period_s, Basis.STAMP)
        return replace(bounds, latest_s=min(picture.arrived_s, stamped_s + period_s))

    def _since_anchor_s(self, picture: CameraPicture) -> float | None:
        anchor = self._anchor
        if anchor is None:
            return None
        count = self._index - anchor.index
        # pictures come in order and a period apart: this needs no knowledge of the pace
        plain_s = anchor.lit_since_s if count >= anchor.whole_after else anchor.bound_s
        if picture.asked:
            return plain_s  # questions are not the camera's pace
        if anchor.sender_s is not None and picture.sender_s is not None:
            passed_s = picture.sender_s - anchor.sender_s
            return max(plain_s, anchor.bound_s + passed_s - _SENDER_DRIFT * abs(passed_s))
        if not self.calm:
            return plain_s
        ceiling_s = picture.arrived_s - anchor.age_s  # never younger than the age that was measured
        counted_s = anchor.bound_s + count * _CREDIT * self.period_s
        if ceiling_s - counted_s > _DEBT_S + (1 - _CREDIT) * count * self.period_s:
            self._calm_for = 0  # a debt: only when count and time agree again does the count say anything
            return plain_s
        return max(plain_s, min(counted_s, ceiling_s))

    def _assume(self, picture: CameraPicture) -> None:
        promised_s = picture.arrived_s - self._age_s
        if picture.sender_s is not None:
            offset_s = picture.arrived_s - picture.sender_s
            self._sender_offset_s = min(self._sender_offset_s + _SENDER_DRIFT * self.period_s, offset_s)
            self._assumed_s = picture.sender_s + self._sender_offset_s - self._age_s
        elif picture.asked or self._index == 1 or self._period_s is None:
            self._assumed_s = promised_s
        else:
            self._assumed_s = min(promised_s, self._assumed_s + _FORGIVEN * self._period_s)

    def _follow_pace(self, arrived_s: float) -> None:
        self._arrivals.append(arrived_s)
        gaps = max(_PACE_GAPS, min(40, round(_PACE_S / self.period_s)))
        if len(self._arrivals) <= gaps:
            return
        pace_s = (arrived_s - self._arrivals[-gaps - 1]) / gaps
        fast_s = (arrived_s - self._arrivals[-_FAST_GAPS - 1]) / _FAST_GAPS
        if self._period_s is None:
            self._keep_pace(arrived_s)
            return
        off = _OFF_PACE * self._period_s
        if abs(pace_s - self._period_s) <= off and fast_s >= self._period_s - off:
            self._keep_pace(arrived_s)
            return
        self._calm_for = 0
        self._steady_since = None
        self._off_pace += 1
        if self._off_pace >= _NEW_RATE_AFTER + gaps:
            self._period_s, self._off_pace = None, 0
            self.forget_anchor()

    def _keep_pace(self, arrived_s: float) -> None:
        self._off_pace = 0
        self._calm_for += 1
        if self._steady_since is None:
            self._steady_since, self._window_debt_s = (self._index, arrived_s), self.debt_s
            return
        count = self._index - self._steady_since[0]
        if self._period_s is None and count >= _PACE_GAPS:
            self._period_s = (arrived_s - self._steady_since[1]) / count
        elif self._period_s is not None and count >= _PERIOD_GAPS:
            found_s = (arrived_s - self._steady_since[1]) / count
            other = abs(found_s - self._period_s) > _OTHER_PERIOD * self._period_s
            if not other or count >= _SURE_PERIODS * _PERIOD_GAPS:
                self._period_s = found_s
            if count >= 10 * _PERIOD_GAPS:
                self._steady_since, self._window_debt_s = (self._index, arrived_s), self.debt_s


@dataclass(frozen=True, slots=True, kw_only=True)
class _Anchor:
    """The first picture that showed a light; times in seconds."""

    index: int
    bound_s: float  # it began at or after this
    lit_since_s: float
    whole_after: int  # pictures from it on that began after the light was switched
    age_s: float
    sender_s: float | None


def _gaps(times_s: Iterable[float]) -> list[float]:
    return [after - before for before, after in pairwise(times_s)] or [0.0]


class LightWitness:
    """Reads from the brightness of pictures when a switched light can be seen in them.

    Switches and what the pictures show are matched in their order. A change matched to an older switch
    than its own makes the lower bound looser, never wrong.
    """

    def __init__(self, clock: PipelineClock) -> None:
        self._clock = clock
        self._pending: deque[tuple[bool, float]] = deque()  # on or off, begin of the command
        self._lit = False  # what the newest picture shows
        self._matched = False  # it became lit by a switch that is known
        self._dark: float | None = None
        self._gain: float | None = None  # what the light adds to the mean of a picture
        self._out_s = -math.inf  # end of the command that switched it off, inf while it is on
        self._lit_since_s = -math.inf  # the switch that its present light was matched to
        self._whole = False  # whether a picture with all of that light was looked for
        self._unseen = 0
        self._watching_until_s = -math.inf
        self.tried = False  # a switch has ever been told

    @property
    def useful(self) -> bool:
        """Whether pictures change with the light, as far as was tried."""
        return self._unseen < 3

    def missed(self) -> None:
        """Note that a shot has passed and its light was not seen in any picture."""
        if any(on for on, _ in self._pending):
            self._unseen += 1
            self._gain = None if self._gain is None else 0.5 * self._gain

    def restart(self) -> None:
        """Forget what pictures showed: a new connection begins."""
        self._pending.clear()
        self._lit, self._matched = self._out_s == math.inf, False

    def wants_luma(self, now_s: float) -> bool:
        """Whether the next picture's brightness is needed."""
        return now_s < self._watching_until_s

    def switching(self, on: bool, began_s: float, luma: float | None) -> None:
        """Note that a command begins; `luma` is the brightness of the newest picture, None when unknown."""
        self.tried = True
        if on:
            if began_s > self._out_s + LONGEST_AGE_S:  # what the light did before has long been through
                if any(wanted for wanted, _ in self._pending):
                    self._unseen += 1
                    self._gain = None if self._gain is None else 0.5 * self._gain
                self._pending.clear()
                if self._lit and self._matched:
                    self._clock.forget_anchor()  # it was never seen to go out: something else had come on
                self._lit, self._dark = False, luma
            self._out_s = math.inf
        self._pending.append((on, began_s))
        self._watching_until_s = began_s + LONGEST_AGE_S

    def switched(self, on: bool, ended_s: float) -> None:
        """Note that the command has ended: from now on the light is as it was told."""
        if not on:
            self._out_s = ended_s

    def judge(self, bounds: ExposureBounds, luma: float) -> ExposureBounds:
        """Return the bounds of the newest picture once its brightness is known."""
        if self._dark is None:
            self._dark = luma
            return bounds
        # of 255, well above the noise of a mean (common practice, no source)
        gain = max(2 * max(4.0, 0.1 * self._dark), self._gain or 0.0)
        share = (luma - self._dark) / gain
        lit = share > (0.5 - _HYSTERESIS if self._lit else 0.5 + _HYSTERESIS)
        if lit != self._lit:
            return self._changed(lit, bounds, luma)
        if not lit:
            if not self._pending:
                self._dark = 0.7 * self._dark + 0.3 * luma
            return bounds
        if not self._matched:
            return bounds
        if self._gain is not None and not self._whole:
            self._whole = True  # the second picture tightens the bound, or none does
            if luma < self._dark + _OWN_LIGHT * self._gain:
                self._matched = False  # too faint: something else came on
                self._clock.forget_anchor()
                return bounds
            if luma > self._dark + _NEARLY_WHOLE * self._gain:
                bounds = self._clock.anchor(self._lit_since_s, _WHOLE_LIT)
        if self._out_s == math.inf:
            seen = luma - self._dark
            if self._gain is not None and seen > _OTHER_LIGHT * self._gain:
                # another light came on as well: which of them was seen first?
                self._clock.forget_anchor()
                self._gain, self._matched = None, False
                return bounds
            self._gain = seen if self._gain is None else 0.7 * self._gain + 0.3 * seen
        elif luma > self._dark + _NEARLY_WHOLE * gain:
            end_s = self._out_s + _WHOLE_LIT * self._clock.longest_period_s
            return replace(bounds, latest_s=min(bounds.latest_s, end_s))
        return bounds

    def _changed(self, lit: bool, bounds: ExposureBounds, luma: float) -> ExposureBounds:
        self._lit, self._matched = lit, False
        assert self._dark is not None
        while self._pending:
            on, began_s = self._pending.popleft()
            if on == lit:
                self._matched = lit
                if not lit:
                    return bounds
                self._unseen, self._lit_since_s, self._whole = 0, began_s, False
                if self._gain is None or luma < self._dark + _NEARLY_WHOLE * self._gain:
                    return self._clock.anchor(began_s, _FIRST_LIT if self._gain is None else _HALF_LIT)
                self._whole = True
                return self._clock.anchor(began_s, _WHOLE_LIT)
        return bounds  # nobody switched: daylight, a person
