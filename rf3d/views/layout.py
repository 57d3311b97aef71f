"""Where things go on a picture: levels, dashes, labels, rulers and the camera, as plain arithmetic.

Nothing here draws. Page coordinates are pixels, x to the right and y up from the lower left
corner; the venue is in local metres.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from rf3d.units import FloatArray, direction

Box = tuple[float, float, float, float]
"""Left, bottom, right, top, pixels."""
VIEW_ANGLE_RAD = np.radians(24.0)
HOUSE_VIEW_RAD = np.radians(32.0)
"""How far to the side of the house's middle the three-quarter view stands."""
ELEVATION_RAD = np.radians(36.0)
_STEPS_DB = (10.0, 5.0, 2.0, 1.0)
_WIDEST_DB = 60.0


@dataclass(frozen=True, eq=False)
class Camera:
    """Where a picture is seen from.

    Attributes
    ----------
    position_m, target_m, up : (3,) float64
    parallel_half_height_m : float or None
        Half of the height shown in parallel projection; None for a perspective of VIEW_ANGLE_RAD.
    area : Box
        Part of the page it fills.
    """

    position_m: FloatArray
    target_m: FloatArray
    up: FloatArray
    parallel_half_height_m: float | None
    area: Box

    @property
    def axes(self) -> FloatArray:
        """Unit vectors to the right, up and towards the viewer, (3, 3)."""
        return _view_axes(self.position_m - self.target_m, self.up)

    @property
    def pixels_per_metre(self) -> float:
        """At the distance of the target."""
        half = self.parallel_half_height_m
        if half is None:
            half = float(np.linalg.norm(self.position_m - self.target_m)) * np.tan(VIEW_ANGLE_RAD / 2)
        return (self.area[3] - self.area[1]) / (2.0 * half)

    def project(self, points_m: FloatArray) -> FloatArray:
        """Page coordinates (N, 2), pixels, of local points (N, 3)."""
        seen = (np.asarray(points_m, dtype=np.float64).reshape(-1, 3) - self.target_m) @ self.axes.T
        scale = np.full(len(seen), self.pixels_per_metre)
        if self.parallel_half_height_m is None:
            distance = float(np.linalg.norm(self.position_m - self.target_m))
            scale = scale * distance / np.maximum(distance - seen[:, 2], 1e-6 * distance)
        middle = np.array([self.area[0] + self.area[2], self.area[1] + self.area[3]]) / 2
        return middle + scale[:, None] * seen[:, :2]


def _view_axes(towards_viewer: FloatArray, up: FloatArray) -> FloatArray:
    back = towards_viewer / np.linalg.norm(towards_viewer)
    right = np.cross(up, back)
    right = right / np.linalg.norm(right)
    return np.stack([right, np.cross(back, right), back])


def three_quarter_view(
    points_m: FloatArray,
    house_azimuth_rad: float | None,
    *,
    area: Box,
    pad: tuple[float, float] = (70.0, 50.0),
    side_rad: float = HOUSE_VIEW_RAD,
) -> Camera:
    """High from the house side, a little off its middle, so that every point (N, 3) fits the area.

    Where the side of the house is not known the view is from −y.

    Parameters
    ----------
    pad : (float, float)
        Pixels kept free left and right, below and above: rulers stand there.
    """
    house = -np.pi / 2 if house_azimuth_rad is None else house_azimuth_rad
    way = direction(house + side_rad, ELEVATION_RAD)
    up = np.array([0.0, 0.0, 1.0])
    axes = _view_axes(way, up)
    seen = points_m @ axes.T
    width, height = area[2] - area[0], area[3] - area[1]
    tan_y = np.tan(VIEW_ANGLE_RAD / 2) * (height - 2 * pad[1]) / height
    tan_x = np.tan(VIEW_ANGLE_RAD / 2) * (width - 2 * pad[0]) / height
    middle = 0.5 * (seen.min(axis=0) + seen.max(axis=0))
    distance = 1.0
    for _ in range(12):  # the middle of the picture and the distance depend on each other; this settles quickly
        offset = seen - middle
        distance = float(np.max(offset[:, 2] + np.maximum(np.abs(offset[:, 0]) / tan_x, np.abs(offset[:, 1]) / tan_y)))
        flat = offset[:, :2] / (distance - offset[:, 2])[:, None]
        middle[:2] += 0.5 * (flat.min(axis=0) + flat.max(axis=0)) * distance
    target = middle @ axes
    return Camera(target + distance * way, target, up, None, area)


def box_corners(bounds_m: FloatArray) -> FloatArray:
    """Corners (8, 3) of a box (2, 3)."""
    return np.array([[x, y, z] for x in bounds_m[:, 0] for y in bounds_m[:, 1] for z in bounds_m[:, 2]])


def rectangle(box: Box) -> FloatArray:
    """Corners (4, 2) of a page box."""
    return np.array([[box[0], box[1]], [box[2], box[1]], [box[2], box[3]], [box[0], box[3]]])


def plan_view(bounds_m: FloatArray, house_azimuth_rad: float | None, *, area: Box) -> Camera:
    """Straight from above, the house at the bottom of the page; +y up the page where its side is not known."""
    up = np.array([0.0, 1.0, 0.0]) if house_azimuth_rad is None else -direction(house_azimuth_rad, 0.0)
    right = np.cross(up, [0.0, 0.0, 1.0])
    size = bounds_m[1] - bounds_m[0]
    width, height = np.abs(right) @ size, np.abs(up) @ size
    half = 0.51 * max(height, width * (area[3] - area[1]) / (area[2] - area[0]))
    target = bounds_m.mean(axis=0)
    far = np.array([0.0, 0.0, 2.0 * float(size.max()) + 10.0])
    return Camera(target + far, target, up, float(half), area)


def round_levels(values_dbm: FloatArray, *, most: int = 4) -> FloatArray:
    """Round dBm levels, ascending, that nest inside one another: steps of 10 dB where the data span enough.

    Taken between the 20 % and 99.7 % points of the finite values; at least three, unless the values
    are all alike.
    """
    finite = values_dbm[np.isfinite(values_dbm)]
    if len(finite) == 0:
        return np.zeros(0)
    low, high = np.percentile(finite, [20.0, 99.7])
    for step in _STEPS_DB:
        levels = step * np.arange(np.ceil(low / step), np.floor(high / step) + 1)
        if len(levels) >= 3:
            return levels[-most:]
    return np.unique(np.round([low, high]))


def colour_bands(values_dbm: FloatArray, *, most: int = 14) -> FloatArray:
    """Edges of equal colour bands, round dBm, ascending.

    Over the 2 % to 99.5 % points of the finite values, and not more than 60 dB: the inside of a steel box must not
    take the colours of everywhere else.
    """
    finite = values_dbm[np.isfinite(values_dbm)]
    low, high = np.percentile(finite, [2.0, 99.5])
    low = max(low, high - _WIDEST_DB)
    step = min(step for step in _STEPS_DB if np.ceil(high / step) - np.floor(low / step) <= most)
    first, last = np.floor(low / step), np.ceil(high / step)
    return step * np.arange(first, max(last, first + 1) + 1)


def round_length(limit: float) -> float:
    """The greatest of 1, 2, 5 × 10ⁿ that does not exceed ``limit``."""
    power = 10.0 ** np.floor(np.log10(limit))
    return float(max(step for step in (1.0, 2.0, 5.0) if step * power <= limit * (1 + 1e-9)) * power)


def dash_pattern(reflections: int) -> tuple[float, ...]:
    """Drawn and blank lengths in turn, pixels: none for direct, a dash, then a dot more for each further bounce."""
    if reflections == 0:
        return ()
    return (26.0, 11.0) + (5.0, 11.0) * (min(reflections, 5) - 1)


def dashes(points: FloatArray, pattern: Sequence[float]) -> list[FloatArray]:
    """Cut a polyline (K, D) into its drawn pieces, each (J, D), corners kept.

    Parameters
    ----------
    pattern : sequence of float
        Drawn and blank lengths in turn, in the polyline's unit; empty for one solid piece.
    """
    line = np.asarray(points, dtype=np.float64)
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    total = float(along[-1])
    if not len(pattern) or total == 0:
        return [line]
    period = float(sum(pattern))
    marks = np.concatenate([[0.0], np.cumsum(np.tile(pattern, int(np.ceil(total / period))))])
    pieces = []
    for start, end in zip(marks[:-1:2], marks[1::2], strict=True):
        if start >= total:
            break
        inner = along[(along > start) & (along < min(end, total))]
        at = np.concatenate([[start], inner, [min(end, total)]])
        pieces.append(np.stack([np.interp(at, along, column) for column in line.T], axis=1))
    return pieces


def place_labels(
    anchors: FloatArray, sizes: FloatArray, *, area: Box, taken: Sequence[Box] = (), clearance: float = 5.0
) -> FloatArray:
    """Lower left corners (N, 2) of labels that overlap neither each other, nor anchors, nor boxes already taken.

    Labels are tried on rings about their anchor, nearest first; the crowded ones are placed first. Where nothing is
    free the spot with least overlap is taken.

    Parameters
    ----------
    anchors, sizes : (N, 2) float
        What each label points at, and its width and height; pixels.
    """
    count = len(anchors)
    corners = np.zeros((count, 2))
    marks = [(x - 9.0, y - 9.0, x + 9.0, y + 9.0) for x, y in anchors]
    boxes: list[Box] = list(taken) + marks
    apart = np.linalg.norm(anchors[:, None] - anchors[None], axis=2)
    for i in np.argsort(np.sort(apart, axis=1)[:, min(count, 4) - 1] if count else apart, kind="stable"):
        spots = _rings(anchors[i], sizes[i])
        others = np.array(boxes).reshape(-1, 4)
        low, high = spots - clearance, spots + sizes[i] + clearance
        wide = np.minimum(high[:, None, 0], others[None, :, 2]) - np.maximum(low[:, None, 0], others[None, :, 0])
        tall = np.minimum(high[:, None, 1], others[None, :, 3]) - np.maximum(low[:, None, 1], others[None, :, 1])
        overlap = (np.maximum(wide, 0.0) * np.maximum(tall, 0.0)).sum(axis=1)
        outside = np.maximum(area[0] - spots[:, 0], 0) + np.maximum(spots[:, 0] + sizes[i, 0] - area[2], 0)
        outside += np.maximum(area[1] - spots[:, 1], 0) + np.maximum(spots[:, 1] + sizes[i, 1] - area[3], 0)
        best = int(np.argmin(overlap + 1e4 * outside))
        corners[i] = spots[best]
        boxes.append((*corners[i], *(corners[i] + sizes[i])))
    return corners


def _rings(anchor: FloatArray, size: FloatArray) -> FloatArray:
    """Lower left corners to try for one label, nearest first: right, left, above, below, then between, then further."""
    spots = []
    for gap in (13.0, 24.0, 40.0, 60.0, 85.0, 115.0, 150.0, 190.0, 240.0, 300.0):
        turns = 8 if gap < 20 else 16
        for turn in sorted(range(turns), key=lambda t: min(t % turns, abs(t - turns // 2))):
            x, y = np.cos(2 * np.pi * turn / turns), np.sin(2 * np.pi * turn / turns)
            middle = anchor + gap * np.array([x, y]) + 0.5 * size * np.clip(np.array([x, y]) * 1.5, -1, 1)
            spots.append(middle - 0.5 * size)
    return np.array(spots)


def boxes_along(line: FloatArray, *, step: float = 16.0) -> list[Box]:
    """Small boxes along a page polyline (K, 2), for labels to keep off."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    at = np.arange(0.5 * step, along[-1], step)
    return [
        (x - 5.0, y - 5.0, x + 5.0, y + 5.0) for x, y in np.stack([np.interp(at, along, c) for c in line.T], axis=1)
    ]


def leader(anchor: FloatArray, box: Box, *, least: float = 16.0) -> FloatArray | None:
    """Line (2, 2) from beside an anchor to the nearest point of its label, or None where they touch anyway."""
    nearest = np.clip(anchor, [box[0], box[1]], [box[2], box[3]])
    distance = float(np.linalg.norm(nearest - anchor))
    if distance <= least:
        return None
    return np.stack([anchor + (nearest - anchor) * min(10.0 / distance, 1.0), nearest])


def wrapped(text: str, width: float, measure: Callable[[str], float]) -> list[str]:
    """Break text at spaces so that no line measures more than ``width`` unless one word does."""
    lines: list[str] = []
    for word in text.split():
        if lines and measure(f"{lines[-1]} {word}") <= width:
            lines[-1] = f"{lines[-1]} {word}"
        else:
            lines.append(word)
    return lines


def ruler_ticks(low: float, high: float, *, most: int = 8) -> FloatArray:
    """Round positions between two ends: the finest step of 1, 2, 5 × 10ⁿ that gives at most ``most`` + 1 of them."""
    start = np.floor(np.log10((high - low) / most)) - 1
    for step in (part * 10.0 ** (start + power) for power in range(5) for part in (1.0, 2.0, 5.0)):
        first, last = np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9)
        if last - first <= most:
            break
    return step * np.arange(first, last + 1)
