"""The bare minimum of reading, with which `analyse` is compared: scan, follow the state, look ahead.

    python tests/bench/bare_reader.py FILE

It takes G0, G1, G90, G91, M82 and M83 alone and checks nothing; the compiler is the same.
"""

from __future__ import annotations

import sys
from typing import Any

import numba as nb
import numpy as np


@nb.njit(cache=True)
def run(b: Any, off: Any, X: Any, Y: Any, Z: Any, E: Any, F: Any) -> int:
    """Fill a row a move and return how many there are."""
    n = b.size
    i = 0
    k = 0
    x = 0.0
    y = 0.0
    z = 0.0
    e = 0.0
    f = 1500.0
    absolute = True
    absolute_e = True
    while i < n:
        start = i
        g = -1
        m = -1
        nx = np.nan
        ny = np.nan
        nz = np.nan
        ne = np.nan
        nf = np.nan
        while i < n and b[i] != 10:
            c = b[i]
            if c == 59:
                while i < n and b[i] != 10:
                    i += 1
                break
            if 97 <= c <= 122:
                c -= 32
            if 65 <= c <= 90:
                i += 1
                negative = False
                if i < n and b[i] == 45:
                    negative = True
                    i += 1
                v = 0
                scale = 1.0
                while i < n and 48 <= b[i] <= 57:
                    v = v * 10 + (b[i] - 48)
                    i += 1
                if i < n and b[i] == 46:
                    i += 1
                    while i < n and 48 <= b[i] <= 57:
                        v = v * 10 + (b[i] - 48)
                        scale *= 10
                        i += 1
                value = (-v if negative else v) / scale
                if c == 71:
                    g = int(value)
                elif c == 77:
                    m = int(value)
                elif c == 88:
                    nx = value
                elif c == 89:
                    ny = value
                elif c == 90:
                    nz = value
                elif c == 69:
                    ne = value
                elif c == 70:
                    nf = value
                continue
            i += 1
        i += 1
        if g in (0, 1):
            if nx == nx:
                x = nx if absolute else x + nx
            if ny == ny:
                y = ny if absolute else y + ny
            if nz == nz:
                z = nz if absolute else z + nz
            if ne == ne:
                e = ne if absolute_e else e + ne
            if nf == nf:
                f = nf
            off[k] = start
            X[k] = x
            Y[k] = y
            Z[k] = z
            E[k] = e
            F[k] = f
            k += 1
        elif g == 90:
            absolute = True
        elif g == 91:
            absolute = False
        elif m == 82:
            absolute_e = True
        elif m == 83:
            absolute_e = False
    return k


@nb.njit(cache=True)
def look_ahead(X: Any, Y: Any, Z: Any, E: Any, F: Any, accel: float, deviation: float) -> float:
    """Return the seconds of all moves, by junction deviation."""
    n = X.size
    d = np.zeros(n)
    most = np.zeros(n)
    u = np.zeros(n)
    ux = uy = uz = 0.0
    for i in range(1, n):
        dx = X[i] - X[i - 1]
        dy = Y[i] - Y[i - 1]
        dz = Z[i] - Z[i - 1]
        length = (dx * dx + dy * dy + dz * dz) ** 0.5
        if length == 0:
            length = abs(E[i] - E[i - 1])
        d[i] = length
        most[i] = F[i] / 60.0
        if length > 0:
            c = -(dx * ux + dy * uy + dz * uz) / length
            if c > 0.999999:
                v = 0.0
            elif c < -0.999999:
                v = 1e9
            else:
                s = (0.5 * (1 - c)) ** 0.5
                v = (accel * deviation * s / (1 - s)) ** 0.5
            u[i] = min(v, most[i], most[i - 1]) ** 2
            ux = dx / length
            uy = dy / length
            uz = dz / length
    following = 0.0
    for i in range(n - 1, 0, -1):
        u[i] = following = min(u[i], following + 2 * accel * d[i])
    t = 0.0
    for i in range(1, n):
        v12 = u[i + 1] if i + 1 < n else 0.0
        limit = u[i] + 2 * accel * d[i]
        if v12 > limit:
            v12 = limit
            if i + 1 < n:
                u[i + 1] = limit
        peak2 = min(most[i] * most[i], accel * d[i] + 0.5 * (u[i] + v12))
        peak = peak2**0.5
        if peak > 0:
            up = (peak2 - u[i]) / (2 * accel)
            down = (peak2 - v12) / (2 * accel)
            t += (peak - u[i] ** 0.5) / accel + (peak - v12**0.5) / accel + max(0.0, d[i] - up - down) / peak
    return t


def main() -> None:
    """Read a file and print how many moves it has and what they take."""
    data = np.fromfile(sys.argv[1], np.uint8)
    rows = int((data == 10).sum()) + 1
    off = np.empty(rows, np.int64)
    columns = [np.empty(rows) for _ in range(5)]
    count = run(data, off, *columns)
    x, y, z, e, f = (column[:count] for column in columns)
    print(count, "moves,", round(look_ahead(x, y, z, e, f, 1500.0, 0.02)), "s")


if __name__ == "__main__":
    main()
