"""The vote of tiles on how a picture lies: all of them judge what each and each pair of them proposes."""

from __future__ import annotations

from typing import Any

import numpy as np

from twinlapse.jit import picture_kernel

__all__ = ["LEAST_APART_PX", "MOST_SCALE", "MOST_TURN", "best_proposals"]

# an angle's tangent and a factor beyond which no camera shakes: 5 degrees, 5 %
MOST_TURN, MOST_SCALE = 0.087, 0.05
LEAST_APART_PX = 1.0  # tiles of two references in one place tell nothing of a turn


@picture_kernel
def best_proposals(
    at: Any, to: Any, weight: Any, first: Any, second: Any, turns_only: bool, spread_px: float, off: Any
) -> None:
    """Write how far each tile lies off the proposal that most tiles follow.

    Parameters
    ----------
    at : ndarray of shape (2, k)
        x, y of the tiles in the reference, px.
    to : ndarray of shape (2, n, k)
        The same in n pictures.
    weight : ndarray of shape (n, k)
        Of votes; in each picture one at least is above zero.
    first, second : ndarray of shape (p,)
        Pairs of tiles that propose; each tile by itself proposes a shift.
    turns_only : bool
        Whether a pair's proposal may turn and not scale.
    spread_px : float
        At this distance a vote counts half.
    off : ndarray of shape (n, k)
        Result, px.
    """
    tiles, square = at.shape[1], spread_px * spread_px
    across, down = at[0], at[1]
    for picture in range(weight.shape[0]):
        x, y, pull = to[0, picture], to[1, picture], weight[picture]
        speak = 0
        for tile in range(tiles):
            speak += pull[tile] > 0
        best, best_turn, best_bend, best_x, best_y = -1.0, 1.0, 0.0, 0.0, 0.0
        for number in range(tiles + (first.shape[0] if speak > 2 else 0)):
            turn, bend = 1.0, 0.0
            if number < tiles:
                if not pull[number] > 0:
                    continue
                way_x, way_y = x[number] - across[number], y[number] - down[number]
            else:
                one, other = first[number - tiles], second[number - tiles]
                right, below = across[other] - across[one], down[other] - down[one]
                apart = right * right + below * below
                if not (apart >= LEAST_APART_PX**2 and pull[one] > 0 and pull[other] > 0):
                    continue
                aside, along = x[other] - x[one], y[other] - y[one]
                turn, bend = (aside * right + along * below) / apart, (along * right - aside * below) / apart
                size = np.sqrt(turn * turn + bend * bend)
                if not (abs(bend) < MOST_TURN * turn and abs(size - 1) < MOST_SCALE):
                    continue
                if turns_only:
                    turn, bend = turn / size, bend / size
                middle_x, middle_y = across[one] + right / 2, down[one] + below / 2
                way_x = (x[one] + x[other]) / 2 - (turn * middle_x - bend * middle_y)
                way_y = (y[one] + y[other]) / 2 - (turn * middle_y + bend * middle_x)
            score = 0.0
            for tile in range(tiles):
                aside = turn * across[tile] - bend * down[tile] + way_x - x[tile]
                along = turn * down[tile] + bend * across[tile] + way_y - y[tile]
                score += pull[tile] * square / (square + aside * aside + along * along)
            if score > best:
                best, best_turn, best_bend, best_x, best_y = score, turn, bend, way_x, way_y
        for tile in range(tiles):
            aside = best_turn * across[tile] - best_bend * down[tile] + best_x - x[tile]
            along = best_turn * down[tile] + best_bend * across[tile] + best_y - y[tile]
            off[picture, tile] = np.sqrt(aside * aside + along * along)
