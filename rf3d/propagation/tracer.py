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
from rf3d.propagation.kernels.pierce import go_on, in_order, set_out
from rf3d.units import BoolArray, FloatArray, IntArray
from rf3d.venue.scene import Scene

MOST_CROSSINGS = 512
"""A segment that meets more triangles than this is taken as blocked."""


@dataclass(frozen=True)
class Crossings:
    """Triangles that segments cross, in order along each segment.

    Attributes
    ----------
    first : (S + 1,) int64
        Entries of segment s are ``first[s]:first[s + 1]`` of the next three.
    segment : (C,) int32, triangle : (C,) int32
    distance_m : (C,) float64
        From the segment's start, in float64 from the triangle's plane.
    blocked : (S,) bool
        Segments that met an opaque triangle; their list of crossings is incomplete.
    """

    first: IntArray
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
        answer = np.zeros(len(starts_m), dtype=bool)
        if scene is None:
            return answer
        starts, ends = (np.require(points, np.float64, ["C", "W"]) for points in (starts_m, ends_m))
        _, length, away, origin, direction = set_out(starts, ends, np.zeros(0, dtype=bool), self.clearance_m)
        reach = (length[away] - 2.0 * self.clearance_m).astype(np.float32)
        if len(away):
            answer[away] = scene.run(_single(origin), _single(direction), dists=reach, query="OCCLUDED") == 0
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
        chosen: BoolArray | None = None,
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
        chosen : (S,) bool
            Segments that may meet anything; the rest are known to be clear.
        """
        count = len(starts_m)
        starts, ends = (np.ascontiguousarray(points, dtype=np.float64) for points in (starts_m, ends_m))
        no_label = label is None or pass_over is None
        label = np.zeros(0, dtype=np.int32) if no_label else np.ascontiguousarray(label, dtype=np.int32)
        own = np.zeros((count, 0), dtype=np.int32) if no_label else np.ascontiguousarray(pass_over, dtype=np.int32)
        some = np.zeros(0, dtype=bool) if chosen is None else chosen
        way, length, active, origin, direction = set_out(starts, ends, some, self.clearance_m)
        if not (np.isfinite(origin).all() and np.isfinite(direction).all()):
            raise _not_finite()
        travelled, grazed, blocked = np.full(count, self.clearance_m), np.zeros(count), np.zeros(count, dtype=bool)
        met = _room(2 * len(active))
        going, written = len(active), 0
        for _ in range(MOST_CROSSINGS):
            if going == 0:
                break
            answer = self._embree.run(origin[:going], direction[:going], output=1)
            if written + going > len(met[0]):
                more = _room(len(met[0]) + going)
                met = np.append(met[0], more[0]), np.append(met[1], more[1]), np.append(met[2], more[2])
            going, written = go_on(
                self._normal, self._offset, opaque, label, own, starts, way, length, active[:going],
                answer["primID"], answer["tfar"], self.clearance_m, travelled, grazed, blocked, *met, written,
                origin, direction,
            )  # fmt: skip
        blocked[active[:going]] = True
        first, segment, triangle, distance = in_order(count, *(array[:written] for array in met))
        return Crossings(first, segment, triangle, distance, blocked)


@lru_cache(maxsize=4)
def tracer_for(scene: Scene) -> Tracer:
    """The tracer of a scene, built once; scenes are immutable, so identity is enough."""
    return Tracer(scene)


def _room(count: int) -> tuple[IntArray, IntArray, FloatArray]:
    """Room for so many crossings: segments, triangles and distances."""
    return np.empty(count, dtype=np.int32), np.empty(count, dtype=np.int32), np.empty(count)


def _single(vectors: FloatArray) -> np.ndarray:
    array = np.ascontiguousarray(vectors, dtype=np.float32)
    if not np.isfinite(array).all():
        raise _not_finite()
    return array


def _not_finite() -> InputError:
    return InputError("a ray with a NaN or infinite number", "rays are finite", "check the positions in the plan")
