"""The narrow waist for rays: the only file that talks to Embree and to float32.

Three questions can be asked of a scene: which triangle does a ray meet first, is a segment
blocked, and which triangles does a segment cross. Geometry never comes back from here as
an answer; whoever needs the hit point intersects the plane in float64.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from threading import Lock

import numpy as np
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene

from rf3d.errors import InputError
from rf3d.units import BoolArray, FloatArray, IntArray
from rf3d.venue.scene import Scene

MOST_CROSSINGS = 512
"""A segment that meets more triangles than this is taken as blocked."""


@dataclass(frozen=True)
class Crossings:
    """Triangles that segments cross, in order along each segment.

    Attributes
    ----------
    segment : (C,) int32, triangle : (C,) int32
    distance_m : (C,) float64
        From the segment's start, in float64 from the triangle's plane.
    blocked : (S,) bool
        Segments that met an opaque triangle; their list of crossings is incomplete.
    """

    segment: IntArray
    triangle: IntArray
    distance_m: FloatArray
    blocked: BoolArray


class Tracer:
    """Rays against one scene. Thread-safe; Embree releases the interpreter while it works."""

    def __init__(self, scene: Scene) -> None:
        self._embree = EmbreeScene(robust=True)
        corners = np.ascontiguousarray(scene.corners_m, dtype=np.float32)
        self._mesh = TriangleMesh(self._embree, corners)
        self._corners = corners
        self._building = Lock()
        self._parts: dict[bytes, tuple[EmbreeScene, TriangleMesh] | None] = {}
        normal = np.cross(scene.corners_m[:, 1] - scene.corners_m[:, 0], scene.corners_m[:, 2] - scene.corners_m[:, 0])
        self._normal = normal / np.linalg.norm(normal, axis=1)[:, None]
        self._offset = np.einsum("mi,mi->m", self._normal, scene.corners_m[:, 0])
        # Float32 places a hit to about 1e-6 of the scene's size; a little more clears the surface.
        self.clearance_m = max(2e-5, 4e-6 * scene.extent_m)
        self._embree.run(np.zeros((1, 3), np.float32), np.ones((1, 3), np.float32))  # builds its tree once, here

    def nearest(self, origins_m: FloatArray, directions: FloatArray) -> IntArray:
        """First triangle met by each ray: origins and unit directions (N, 3), local; −1 where none is.

        Raises
        ------
        InputError
            A NaN or infinite number: the binding would answer "miss" without a word.
        """
        return self._embree.run(_single(origins_m), _single(directions))

    def blocked(self, origins_m: FloatArray, directions: FloatArray, distances_m: FloatArray) -> BoolArray:
        """Whether anything stands within ``distances_m`` (N,) along each ray (N, 3)."""
        reach = np.ascontiguousarray(np.broadcast_to(distances_m, len(origins_m)), dtype=np.float32)
        if not np.isfinite(reach).all():
            raise _not_finite()
        return self._embree.run(_single(origins_m), _single(directions), dists=reach, query="OCCLUDED") == 0

    def hidden(self, starts_m: FloatArray, ends_m: FloatArray, *, opaque: BoolArray) -> BoolArray:
        """Whether an opaque triangle stands between two points, (S,); faces within ``clearance_m`` of either do not.

        Parameters
        ----------
        starts_m, ends_m : (S, 3) float
            Local coordinates.
        opaque : (M,) bool
            Triangles that let nothing through; a tree of these alone is built at the first question about them.
        """
        scene = self._of(opaque)
        span = ends_m - starts_m
        length = np.sqrt(np.einsum("si,si->s", span, span))
        reach = length - 2 * self.clearance_m
        away = np.flatnonzero(reach > 0.0)
        answer = np.zeros(len(length), dtype=bool)
        if scene is None or len(away) == 0:
            return answer
        way = span[away] / length[away, None]
        origin = starts_m[away] + self.clearance_m * way
        answer[away] = (
            scene.run(_single(origin), _single(way), dists=reach[away].astype(np.float32), query="OCCLUDED") == 0
        )
        return answer

    def _of(self, chosen: BoolArray) -> EmbreeScene | None:
        """A tree of some triangles (M,) alone, kept; None where there are none."""
        key = np.packbits(chosen).tobytes()
        with self._building:
            if key not in self._parts:
                scene = EmbreeScene(robust=True)
                mesh = TriangleMesh(scene, np.ascontiguousarray(self._corners[chosen])) if chosen.any() else None
                self._parts[key] = None if mesh is None else (scene, mesh)
                if mesh is not None:
                    scene.run(np.zeros((1, 3), np.float32), np.ones((1, 3), np.float32))
            part = self._parts[key]
        return None if part is None else part[0]

    def crossings(
        self,
        starts_m: FloatArray,
        ends_m: FloatArray,
        *,
        opaque: BoolArray,
        label: IntArray | None = None,
        pass_over: IntArray | None = None,
    ) -> Crossings:
        """Every triangle that each segment crosses, until it meets an opaque one.

        Parameters
        ----------
        starts_m, ends_m : (S, 3) float
            Local coordinates. Faces within ``clearance_m`` of either end are passed over.
        opaque : (M,) bool
            Triangles that let nothing through.
        label : (M,) int32, pass_over : (S, K) int32
            Triangles whose label is among a segment's own ``pass_over`` are not there for that segment: the plane
            it starts from or ends on.
        """
        count = len(starts_m)
        span = ends_m - starts_m
        length = np.linalg.norm(span, axis=1)
        way = span / np.maximum(length, 1e-300)[:, None]
        blocked = np.zeros(count, dtype=bool)
        travelled = np.full(count, self.clearance_m)
        grazed = np.zeros(count)
        active = np.flatnonzero(length > 2 * self.clearance_m)
        segments, triangles, distances = [], [], []
        for _ in range(MOST_CROSSINGS):
            if len(active) == 0:
                break
            origin = starts_m[active] + travelled[active, None] * way[active]
            answer = self._embree.run(_single(origin), _single(way[active]), output=1)
            reach = travelled[active] + answer["tfar"]
            hit = (answer["primID"] >= 0) & (reach < length[active] - self.clearance_m)
            active, reach, triangle = active[hit], reach[hit], answer["primID"][hit]
            there = np.ones(len(active), dtype=bool)
            if label is not None and pass_over is not None:
                there = (label[triangle][:, None] != pass_over[active]).all(axis=1)
            stopped = opaque[triangle] & there
            cosine = np.einsum("si,si->s", self._normal[triangle], way[active])
            numerator = self._offset[triangle] - np.einsum("si,si->s", self._normal[triangle], starts_m[active])
            flat = np.abs(cosine) < 1e-7  # a ray in the plane of the face: Embree's distance is as good as any
            exact = np.where(flat, reach, numerator / np.where(flat, 1.0, cosine))
            segments.append(active[there])
            triangles.append(triangle[there])
            distances.append(exact[there])
            blocked[active[stopped]] = True
            # A segment along a face meets it again at every step: it may stride ever farther.
            grazed[active] += flat | ~there
            travelled[active] = reach + self.clearance_m * (1.0 + grazed[active] ** 2)
            active = active[~stopped]
        blocked[active] = True
        segment = np.concatenate(segments) if segments else np.zeros(0, dtype=np.int64)
        triangle = np.concatenate(triangles) if triangles else np.zeros(0, dtype=np.int32)
        distance = np.concatenate(distances) if distances else np.zeros(0)
        order = np.lexsort((distance, segment))
        return Crossings(segment[order].astype(np.int32), triangle[order].astype(np.int32), distance[order], blocked)


@lru_cache(maxsize=4)
def tracer_for(scene: Scene) -> Tracer:
    """The tracer of a scene, built once; scenes are immutable, so identity is enough."""
    return Tracer(scene)


def _single(vectors: FloatArray) -> np.ndarray:
    array = np.ascontiguousarray(vectors, dtype=np.float32)
    if not np.isfinite(array).all():
        raise _not_finite()
    return array


def _not_finite() -> InputError:
    return InputError("a ray with a NaN or infinite number", "rays are finite", "check the positions in the plan")
