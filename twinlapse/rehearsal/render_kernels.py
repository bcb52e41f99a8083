"""The loops that paint: beads by casting rays on them, triangles, the bed, shade, and the film's development.

Colours are linear light. Depths are along the camera's axis in mm. A camera is ``place`` (3,) and ``axes``
(3, 3) in the frame of the bed; ``rays`` holds for every pixel (right, down) for one step forward.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from twinlapse.jit import part_of_picture_kernel, picture_kernel

__all__ = [
    "BOUNCE",
    "KEY",
    "KEY_X",
    "KEY_Y",
    "KEY_Z",
    "LAMP",
    "LAMP_X",
    "LAMP_Y",
    "LAMP_Z",
    "SHINE",
    "SKY",
    "WARM",
    "cast_shade",
    "develop",
    "displaced",
    "paint_beads",
    "paint_bed",
    "paint_triangles",
    "settle_window",
]

# columns of the array `light`
KEY_X, KEY_Y, KEY_Z, KEY, SKY, BOUNCE, LAMP_X, LAMP_Y, LAMP_Z, LAMP, SHINE, WARM = range(12)


@part_of_picture_kernel
def _shaded(shade: Any, frame: Any, x: Any, y: Any, z: Any) -> Any:
    """Share of the key light that reaches a point, from a map of what stands nearest to it."""
    cell = frame[9]
    a = (frame[0] * x + frame[1] * y + frame[2] * z - frame[10]) / cell
    b = (frame[3] * x + frame[4] * y + frame[5] * z - frame[11]) / cell
    toward = frame[6] * x + frame[7] * y + frame[8] * z + 0.9
    i, j = math.floor(a), math.floor(b)
    if i < 0 or j < 0 or i + 1 >= shade.shape[1] or j + 1 >= shade.shape[0]:
        return 1.0
    u, v = a - i, b - j
    lit = 0.0
    if shade[j, i] <= toward:
        lit += (1 - u) * (1 - v)
    if shade[j, i + 1] <= toward:
        lit += u * (1 - v)
    if shade[j + 1, i] <= toward:
        lit += (1 - u) * v
    if shade[j + 1, i + 1] <= toward:
        lit += u * v
    return lit


@part_of_picture_kernel
def _open_sky(crowd: Any, corner: Any, x: Any, y: Any, z: Any) -> Any:
    """Share of the sky that a point sees, from a blurred map (1 mm cells) of heights around it."""
    a, b = x - corner[0] - 0.5, y - corner[1] - 0.5
    i, j = math.floor(a), math.floor(b)
    if i < 0 or j < 0 or i + 1 >= crowd.shape[1] or j + 1 >= crowd.shape[0]:
        return 1.0
    u, v = a - i, b - j
    around = (1 - v) * ((1 - u) * crowd[j, i] + u * crowd[j, i + 1]) + v * (
        (1 - u) * crowd[j + 1, i] + u * crowd[j + 1, i + 1]
    )
    return 1.0 / (1.0 + 0.09 * max(0.0, around - z))


@part_of_picture_kernel
def _light_at(
    light: Any, place: Any, nx: Any, ny: Any, nz: Any, x: Any, y: Any, z: Any, lit: Any, sky: Any
) -> Any:
    """Return diffuse light and gloss at a point with a normal, the eye at `place`."""
    ex, ey, ez = place[0] - x, place[1] - y, place[2] - z
    near = 1.0 / math.sqrt(ex * ex + ey * ey + ez * ez)
    ex, ey, ez = ex * near, ey * near, ez * near
    key = max(0.0, nx * light[KEY_X] + ny * light[KEY_Y] + nz * light[KEY_Z]) * light[KEY] * lit
    hx, hy, hz = ex + light[KEY_X], ey + light[KEY_Y], ez + light[KEY_Z]
    half = max(0.0, (nx * hx + ny * hy + nz * hz) / math.sqrt(hx * hx + hy * hy + hz * hz + 1e-9))
    gloss = half * half
    gloss = gloss * gloss
    gloss = gloss * gloss
    gloss = gloss * gloss * gloss * light[KEY] * lit
    diffuse = key + sky * (light[SKY] * (0.5 + 0.5 * nz) + light[BOUNCE] * (0.5 - 0.5 * nz))
    if light[LAMP] > 0:
        lx, ly, lz = light[LAMP_X] - x, light[LAMP_Y] - y, light[LAMP_Z] - z
        far = lx * lx + ly * ly + lz * lz
        to = 1.0 / math.sqrt(far)
        lx, ly, lz = lx * to, ly * to, lz * to
        strength = light[LAMP] / far
        diffuse += max(0.0, nx * lx + ny * ly + nz * lz) * strength
        hx, hy, hz = ex + lx, ey + ly, ez + lz
        half = max(0.0, (nx * hx + ny * hy + nz * hz) / math.sqrt(hx * hx + hy * hy + hz * hz + 1e-9))
        shine = half * half
        shine = shine * shine
        shine = shine * shine
        shine = shine * shine
        gloss += shine * shine * strength
    return diffuse, gloss * light[SHINE]


@picture_kernel
def paint_beads(
    which: Any,
    first: Any,
    last: Any,
    half_width: Any,
    half_height: Any,
    hue: Any,
    ends_px: Any,
    reach_px: Any,
    near_mm: Any,
    slack_mm: Any,
    place: Any,
    axes: Any,
    rays: Any,
    corner_px: Any,
    colour: Any,
    depth: Any,
    seen: Any,
    light: Any,
    shade: Any,
    shade_frame: Any,
    crowd: Any,
    crowd_corner: Any,
) -> None:
    """Paint beads, the newest first; `seen` becomes 1 for a bead that owns or nearly owns a pixel.

    `colour` (h, w, 3) and `depth` (h, w) are a window whose first pixel is `corner_px` of `rays`; `ends_px`
    (k, 4) and `reach_px` (k,) tell where to look for each of the k beads in `which`, in pixels of the window,
    `near_mm` (k,) how near it may come. A bead up to `slack_mm` behind what is painted counts as seen.
    """
    height, width = depth.shape
    for k in range(len(which) - 1, -1, -1):
        bead = which[k]
        xa, ya, xb, yb, r = ends_px[k, 0], ends_px[k, 1], ends_px[k, 2], ends_px[k, 3], reach_px[k]
        near = near_mm[k] - slack_mm
        top = max(0, math.ceil(min(ya, yb) - r))
        bottom = min(height - 1, math.floor(max(ya, yb) + r))
        left = max(0.0, min(xa, xb) - r)
        right = min(width - 1.0, max(xa, xb) + r)
        if top > bottom or left > right:
            continue
        ux, uy, uz = (
            last[bead, 0] - first[bead, 0],
            last[bead, 1] - first[bead, 1],
            last[bead, 2] - first[bead, 2],
        )
        length = math.sqrt(ux * ux + uy * uy + uz * uz)
        if length < 1e-6:
            continue
        ux, uy, uz = ux / length, uy / length, uz / length
        flat = math.sqrt(ux * ux + uy * uy)
        vx, vy = (-uy / flat, ux / flat) if flat > 1e-6 else (0.0, 1.0)
        wx, wy, wz = -uz * vy, uz * vx, ux * vy - uy * vx
        a, b = half_width[bead], half_height[bead]
        # the ray in the bead's own frame, its cross-section made a unit circle
        gx, gy, gz = place[0] - first[bead, 0], place[1] - first[bead, 1], place[2] - first[bead, 2]
        ou = gx * ux + gy * uy + gz * uz
        ov = (gx * vx + gy * vy) / a
        ow = (gx * wx + gy * wy + gz * wz) / b
        u0 = axes[0, 0] * ux + axes[0, 1] * uy + axes[0, 2] * uz
        u1 = axes[1, 0] * ux + axes[1, 1] * uy + axes[1, 2] * uz
        u2 = axes[2, 0] * ux + axes[2, 1] * uy + axes[2, 2] * uz
        v0 = (axes[0, 0] * vx + axes[0, 1] * vy) / a
        v1 = (axes[1, 0] * vx + axes[1, 1] * vy) / a
        v2 = (axes[2, 0] * vx + axes[2, 1] * vy) / a
        w0 = (axes[0, 0] * wx + axes[0, 1] * wy + axes[0, 2] * wz) / b
        w1 = (axes[1, 0] * wx + axes[1, 1] * wy + axes[1, 2] * wz) / b
        w2 = (axes[2, 0] * wx + axes[2, 1] * wy + axes[2, 2] * wz) / b
        slope = (xb - xa) / (yb - ya) if abs(yb - ya) > 1e-3 else 0.0
        spread = r * math.sqrt(1 + slope * slope)
        for y in range(top, bottom + 1):
            from_x, to_x = left, right
            if slope != 0.0:
                middle = xa + (y - ya) * slope
                from_x, to_x = max(left, middle - spread), min(right, middle + spread)
            lit_x = -2
            red = green = blue = 0.0
            for x in range(math.ceil(from_x), math.floor(to_x) + 1):
                if depth[y, x] < near:
                    continue
                rx = rays[y + corner_px[1], x + corner_px[0], 0]
                ry = rays[y + corner_px[1], x + corner_px[0], 1]
                dv = v0 * rx + v1 * ry + v2
                dw = w0 * rx + w1 * ry + w2
                qa = dv * dv + dw * dw
                qb = ov * dv + ow * dw
                root = qb * qb - qa * (ov * ov + ow * ow - 1)
                if root <= 0:
                    continue
                t = (-qb - math.sqrt(root)) / qa
                du = u0 * rx + u1 * ry + u2
                s = ou + t * du
                pu = 0.0
                if s < 0 or s > length:  # beyond the end: a round cap
                    end = 0.0 if s < 0 else length
                    cu, cd = (ou - end) / a, du / a
                    qa += cd * cd
                    qb += cu * cd
                    root = qb * qb - qa * (ov * ov + ow * ow + cu * cu - 1)
                    if root <= 0:
                        continue
                    t = (-qb - math.sqrt(root)) / qa
                    pu = cu + t * cd
                if t > depth[y, x] + slack_mm or t < 1:
                    continue
                seen[bead] = 1
                if t >= depth[y, x]:
                    continue
                depth[y, x] = t
                if x & 1 and lit_x == x - 1:  # the other half of the pixel: as bright
                    colour[y, x, 0], colour[y, x, 1], colour[y, x, 2] = red, green, blue
                    continue
                lit_x = x
                pu, pv, pw = pu / a, (ov + t * dv) / a, (ow + t * dw) / b
                nx = pu * ux + pv * vx + pw * wx
                ny = pu * uy + pv * vy + pw * wy
                nz = pu * uz + pw * wz
                norm = 1 / math.sqrt(nx * nx + ny * ny + nz * nz)
                nx, ny, nz = nx * norm, ny * norm, nz * norm
                px = place[0] + t * (axes[0, 0] * rx + axes[1, 0] * ry + axes[2, 0])
                py = place[1] + t * (axes[0, 1] * rx + axes[1, 1] * ry + axes[2, 1])
                pz = place[2] + t * (axes[0, 2] * rx + axes[1, 2] * ry + axes[2, 2])
                lit = _shaded(shade, shade_frame, px, py, pz)
                sky = _open_sky(crowd, crowd_corner, px, py, pz)
                diffuse, gloss = _light_at(light, place, nx, ny, nz, px, py, pz, lit, sky)
                red = hue[bead, 0] * diffuse + gloss
                green = hue[bead, 1] * diffuse + gloss
                blue = hue[bead, 2] * diffuse + gloss
                colour[y, x, 0], colour[y, x, 1], colour[y, x, 2] = red, green, blue


@picture_kernel
def paint_triangles(corners: Any, depths: Any, hues: Any, colour: Any, depth: Any) -> None:
    """Paint triangles: `corners` (n, 3, 2) px of the window, `depths` (n, 3), `hues` (n, 3, 3) lit."""
    height, width = depth.shape
    for k in range(len(corners)):
        xa, ya, xb, yb = corners[k, 0, 0], corners[k, 0, 1], corners[k, 1, 0], corners[k, 1, 1]
        xc, yc = corners[k, 2, 0], corners[k, 2, 1]
        area = (xb - xa) * (yc - ya) - (xc - xa) * (yb - ya)
        if abs(area) < 1e-9 or min(depths[k, 0], depths[k, 1], depths[k, 2]) < 1:
            continue
        # weights of the corners: b = b0 + bx x + by y, c likewise, a = 1 - b - c
        bx, by = (yc - ya) / area, -(xc - xa) / area
        cx, cy = -(yb - ya) / area, (xb - xa) / area
        b0, c0 = -bx * xa - by * ya, -cx * xa - cy * ya
        ia, ib, ic = 1 / depths[k, 0], 1 / depths[k, 1], 1 / depths[k, 2]
        near = 1 / max(ia, ib, ic)
        left = max(0.0, min(xa, xb, xc))
        right = min(width - 1.0, max(xa, xb, xc))
        for y in range(max(0, math.ceil(min(ya, yb, yc))), min(height - 1, int(max(ya, yb, yc))) + 1):
            b_row, c_row = b0 + by * y, c0 + cy * y
            low, high = left, right
            for side in range(3):  # where in this row each weight is not negative
                rise = bx if side == 0 else cx if side == 1 else -bx - cx
                base = b_row if side == 0 else c_row if side == 1 else 1 - b_row - c_row
                if rise > 1e-12:
                    low = max(low, -base / rise)
                elif rise < -1e-12:
                    high = min(high, -base / rise)
                elif base < 0:
                    high = low - 2
            for x in range(math.ceil(low), math.floor(high) + 1):
                if depth[y, x] <= near:
                    continue
                b, c = b_row + bx * x, c_row + cx * x
                wa, wb, wc = (1 - b - c) * ia, b * ib, c * ic
                t = 1 / (wa + wb + wc)
                if t < depth[y, x]:
                    depth[y, x] = t
                    for i in range(3):
                        colour[y, x, i] = (wa * hues[k, 0, i] + wb * hues[k, 1, i] + wc * hues[k, 2, i]) * t


@picture_kernel
def paint_bed(
    picture: Any,
    depth: Any,
    rays: Any,
    place: Any,
    axes: Any,
    limits: Any,
    round_bed: Any,
    plate: Any,
    plate_hue: Any,
    plate_step: Any,
    grain: Any,
    grain_step: Any,
    gloss_share: Any,
    light: Any,
    shade: Any,
    shade_frame: Any,
    crowd: Any,
    crowd_corner: Any,
) -> None:
    """Paint the bed's face and edge over a picture where it is nearer than what is there.

    `limits` is lowest x, y, highest x, y and the thickness; `plate` (h, w) is its brightness with cells of
    `plate_step` mm, `plate_hue` (3,) its colour, `grain` (n, n) a repeating texture of cells of `grain_step`.
    """
    middle_x, middle_y = (limits[0] + limits[2]) / 2, (limits[1] + limits[3]) / 2
    half_x, half_y = (limits[2] - limits[0]) / 2, (limits[3] - limits[1]) / 2
    mask = grain.shape[0] - 1  # a power of two less one
    for y in range(picture.shape[0]):
        for x in range(picture.shape[1]):
            rx, ry = rays[y, x, 0], rays[y, x, 1]
            dz = axes[0, 2] * rx + axes[1, 2] * ry + axes[2, 2]
            if not dz < -1e-4:
                continue
            t = -place[2] / dz
            if t <= 0 or t > depth[y, x]:
                continue
            dx = axes[0, 0] * rx + axes[1, 0] * ry + axes[2, 0]
            dy = axes[0, 1] * rx + axes[1, 1] * ry + axes[2, 1]
            px, py = place[0] + t * dx, place[1] + t * dy
            if round_bed:
                inside = half_x - math.hypot(px - middle_x, py - middle_y)
            else:
                inside = min(half_x - abs(px - middle_x), half_y - abs(py - middle_y))
            wide = t * (rays[y, 1, 0] - rays[y, 0, 0])  # of a pixel, mm
            share = min(1.0, max(0.0, inside / wide + 0.5))
            if share < 1:  # the edge: where the ray meets the underside's outline but not the face
                tu = (-limits[4] - place[2]) / dz
                ex, ey = place[0] + tu * dx, place[1] + tu * dy
                if round_bed:
                    edge = half_x - math.hypot(ex - middle_x, ey - middle_y)
                else:
                    edge = min(half_x - abs(ex - middle_x), half_y - abs(ey - middle_y))
                edge_share = min(1.0, max(0.0, edge / wide + 0.5))
                if edge_share > 0:
                    facing = 0.055 if abs(ey - middle_y) / half_y > abs(ex - middle_x) / half_x else 0.028
                    for c in range(3):
                        picture[y, x, c] = picture[y, x, c] * (1 - edge_share) + facing * edge_share
                    depth[y, x] = tu
            if share <= 0:
                continue
            a, b = (px - limits[0]) / plate_step - 0.5, (py - limits[1]) / plate_step - 0.5
            a, b = min(max(a, 0.0), plate.shape[1] - 1.001), min(max(b, 0.0), plate.shape[0] - 1.001)
            i, j = int(a), int(b)
            u, v = a - i, b - j
            g, h = px / grain_step, py / grain_step
            gi, hi = math.floor(g), math.floor(h)
            gu, hv = g - gi, h - hi
            g0, g1, h0, h1 = gi & mask, (gi + 1) & mask, hi & mask, (hi + 1) & mask
            rough = (1 - hv) * ((1 - gu) * grain[h0, g0] + gu * grain[h0, g1]) + hv * (
                (1 - gu) * grain[h1, g0] + gu * grain[h1, g1]
            )
            fade = min(1.0, 1.4 * grain_step / wide)  # a grain finer than a pixel is not seen
            grained = 1 + (rough - 1) * fade
            lit = _shaded(shade, shade_frame, px, py, 0.0)
            sky = _open_sky(crowd, crowd_corner, px, py, 0.0)
            if light[LAMP] > 0:
                diffuse, gloss = _light_at(light, place, 0.0, 0.0, 1.0, px, py, 0.0, lit, sky)
            else:
                diffuse, gloss = light[KEY_Z] * light[KEY] * lit + sky * light[SKY], 0.0
            depth[y, x] = t
            tint = (1 - v) * ((1 - u) * plate[j, i] + u * plate[j, i + 1]) + v * (
                (1 - u) * plate[j + 1, i] + u * plate[j + 1, i + 1]
            )
            value, shine = grained * tint * diffuse * share, grained * gloss * gloss_share * share
            for c in range(3):
                picture[y, x, c] = picture[y, x, c] * (1 - share) + value * plate_hue[c] + shine


@picture_kernel
def settle_window(
    picture: Any, depth: Any, corner: Any, fine: Any, colour: Any, fine_depth: Any, base: Any
) -> None:
    """Average a window of `fine` x `fine` subpixels into a picture; what was not painted stays.

    `corner` is the window's first pixel in the picture; `base` (h, w) is what `fine_depth` was before.
    """
    height, width = fine_depth.shape[0] // fine, fine_depth.shape[1] // fine
    share = 1.0 / (fine * fine)
    for y in range(height):
        for x in range(width):
            red = green = blue = 0.0
            painted = 0
            nearest = base[y, x]
            for j in range(y * fine, y * fine + fine):
                for i in range(x * fine, x * fine + fine):
                    if fine_depth[j, i] < base[y, x]:
                        painted += 1
                        red += colour[j, i, 0]
                        green += colour[j, i, 1]
                        blue += colour[j, i, 2]
                        nearest = min(nearest, fine_depth[j, i])
            if painted:
                rest = 1 - painted * share
                row, column = y + corner[1], x + corner[0]
                picture[row, column, 0] = picture[row, column, 0] * rest + red * share
                picture[row, column, 1] = picture[row, column, 1] * rest + green * share
                picture[row, column, 2] = picture[row, column, 2] * rest + blue * share
                depth[row, column] = nearest


@picture_kernel
def cast_shade(
    first: Any,
    last: Any,
    half_width: Any,
    half_height: Any,
    shade: Any,
    frame: Any,
    heights: Any,
    corner: Any,
) -> None:
    """Enter new beads into the map of what stands nearest to the key light and into the map of heights."""
    for k in range(len(first)):
        dx, dy, dz = last[k, 0] - first[k, 0], last[k, 1] - first[k, 1], last[k, 2] - first[k, 2]
        steps = int(math.sqrt(dx * dx + dy * dy + dz * dz) / 0.25) + 1
        for s in range(steps + 1):
            x, y = first[k, 0] + dx * s / steps, first[k, 1] + dy * s / steps
            z = first[k, 2] + dz * s / steps + half_height[k]
            i, j = int(x - corner[0]), int(y - corner[1])
            if 0 <= i < heights.shape[1] and 0 <= j < heights.shape[0]:
                heights[j, i] = max(heights[j, i], z)
            a = (frame[0] * x + frame[1] * y + frame[2] * z - frame[10]) / frame[9]
            b = (frame[3] * x + frame[4] * y + frame[5] * z - frame[11]) / frame[9]
            toward = frame[6] * x + frame[7] * y + frame[8] * z
            for jj in range(math.floor(b), math.floor(b) + 2):
                for ii in range(math.floor(a), math.floor(a) + 2):
                    if 0 <= ii < shade.shape[1] and 0 <= jj < shade.shape[0]:
                        shade[jj, ii] = max(shade[jj, ii], toward)


@picture_kernel
def develop(
    picture: Any, gain: Any, grain: Any, offset: Any, strength: Any, curve: Any, vignette: Any, out: Any
) -> None:
    """Turn linear light into 8-bit sRGB: gain, darker corners, the tone curve (n,), noise from a tile.

    The tile's sides are powers of two.
    """
    height, width = picture.shape[:2]
    mask = grain.shape[0] - 1
    top = len(curve) - 1
    middle_x, middle_y = (width - 1) / 2, (height - 1) / 2
    last = float(top)
    scale = vignette / (middle_x * middle_x + middle_y * middle_y)
    for y in range(height):
        row = (y + offset[0]) & mask
        for x in range(width):
            off = (x - middle_x) * (x - middle_x) + (y - middle_y) * (y - middle_y)
            exposure = gain * (1 - scale * off) * top
            noise = strength * grain[row, (x + offset[1]) & mask] + 0.5
            for c in range(3):
                at = min(max(picture[y, x, c] * exposure + 0.5, 0.0), last)
                out[y, x, c] = np.uint8(min(max(curve[int(at)] + noise, 0.0), 255.0))


@picture_kernel
def displaced(picture: Any, shift: Any, out: Any) -> None:
    """Read a picture at every pixel's place plus `shift` (h, w, 2), px, by bilinear interpolation."""
    height, width = picture.shape[:2]
    for y in range(height):
        for x in range(width):
            a = min(max(x + shift[y, x, 0], 0.0), width - 1.001)
            b = min(max(y + shift[y, x, 1], 0.0), height - 1.001)
            i, j = int(a), int(b)
            u, v = a - i, b - j
            for c in range(3):
                out[y, x, c] = (1 - v) * ((1 - u) * picture[j, i, c] + u * picture[j, i + 1, c]) + v * (
                    (1 - u) * picture[j + 1, i, c] + u * picture[j + 1, i + 1, c]
                )
