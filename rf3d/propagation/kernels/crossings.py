"""From faces met along a segment to walls passed: sheets once, solids from face to face.

A sheet is a whole wall. A solid is entered and left: parallel faces make a slab of the
thickness between them, other faces make an oblique body. Bodies of one material that touch
merge; coincident faces count once. Nothing depends on which way a face is turned, nor on
which way the segment is walked.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from rf3d.propagation.kernels.images import Planes, on_facet
from rf3d.units import BoolArray, FloatArray, IntArray
from rf3d.venue.facets import Facets
from rf3d.venue.scene import Scene
from rf3d.venue.surfaces import Surface

REFLECTION, TRANSMISSION, OBLIQUE_FACE, DIFFRACTION, LOBE = 0, 1, 2, 3, 4
"""Kinds of interaction: a bounce, a wall passed, one face of a body with faces that are not parallel, a bend."""
STANDING = 4
"""A way into or out of a body that stands on the wall where the path bounces; see ``propagation.standing``."""
TOUCH_M = 1e-3
"""Bodies of one material nearer than this are one body."""
PARALLEL_COS = 1.0 - 1e-7


class Bodies(NamedTuple):
    """Which solid, object and material each facet belongs to.

    Attributes
    ----------
    part, plane, object, material : (Q,) int32
    solid : (Q,) bool
    twin_start, twins
        See Facets.
    rival_start : (Q + 1,) int32, rivals : (W,) int32
        Those of a facet's twins of another part that act in its place where both are: a solid's face before a sheet,
        then the lowest; what comes first acts.
    """

    part: IntArray
    plane: IntArray
    object: IntArray
    material: IntArray
    solid: BoolArray
    twin_start: IntArray
    twins: IntArray
    rival_start: IntArray
    rivals: IntArray


def make_bodies(scene: Scene, facets: Facets, surfaces: tuple[Surface, ...]) -> Bodies:
    """Number objects and materials for the kernels."""
    objects = {name: i for i, name in enumerate(dict.fromkeys(scene.objects))}
    materials = {name: i for i, name in enumerate(dict.fromkeys(s.material.name for s in surfaces))}
    object_of_part = np.array([objects[name] for name in scene.objects], dtype=np.int32)
    material_of_part = np.array([materials[s.material.name] for s in surfaces], dtype=np.int32)
    solid_part = np.array([s.body == "solid" for s in surfaces], dtype=np.bool_)
    part, solid, twins = facets.part, solid_part[facets.part], facets.twins
    mine = np.repeat(np.arange(len(part)), np.diff(facets.twin_start))
    first = np.where(solid[twins] == solid[mine], twins < mine, solid[twins]) & (part[twins] != part[mine])
    order = np.lexsort((twins[first], ~solid[twins[first]], mine[first]))
    rival_start = np.searchsorted(mine[first], np.arange(len(part) + 1)).astype(np.int32)
    return Bodies(
        part, facets.plane, object_of_part[part], material_of_part[part], solid, facets.twin_start, twins,
        rival_start, twins[first][order],
    )  # fmt: skip


@njit(nogil=True, cache=True)
def walls_passed(
    planes: Planes,
    bodies: Bodies,
    starts: FloatArray,
    ends: FloatArray,
    start_plane: IntArray,
    end_plane: IntArray,
    first: IntArray,
    facet_met: IntArray,
    distance_met: FloatArray,
) -> tuple[BoolArray, IntArray, IntArray, IntArray, IntArray, FloatArray, FloatArray]:
    """Walls passed by S segments whose faces met are listed in order.

    Parameters
    ----------
    starts, ends : (S, 3) float64
    start_plane, end_plane : (S,) int32
        Plane an end lies on because the path bounces there; −1 at an antenna.
    first : (S + 1,) int64
        Faces met by segment s are entries ``first[s]:first[s + 1]`` of the next two.
    facet_met : (C,) int32, distance_met : (C,) float64

    Returns
    -------
    inside : (S,) bool
        The segment begins or ends inside a solid: a bounce there is part of the slab's own reflection.
    first_out : (S + 1,) int64
    kind, facet : (W,) int32
        TRANSMISSION (facet = entry) or two OBLIQUE_FACE rows (entry, exit); STANDING where a body is entered that
        stands on the plane of the segment's end, or left that stands on the plane of its start.
    part : (W,) int32
    depth_m : (W,) float64
        NaN for a sheet, face-to-face thickness of a slab, whole chord for oblique faces; chord of STANDING, negative
        where the body is left.
    distance_m : (W,) float64
        From the segment's start to the face.
    """
    count = len(starts)
    room = max(16, 2 * len(facet_met))
    kind = np.empty(room, dtype=np.int32)
    facet = np.empty(room, dtype=np.int32)
    part = np.empty(room, dtype=np.int32)
    depth = np.empty(room)
    distance = np.empty(room)
    inside = np.zeros(count, dtype=np.bool_)
    first_out = np.zeros(count + 1, dtype=np.int64)
    written = 0
    room_here = 64
    event_t = np.empty(room_here)
    event_f = np.empty(room_here, dtype=np.int32)
    span_in = np.empty(room_here)
    span_out = np.empty(room_here)
    face_in = np.empty(room_here, dtype=np.int32)
    face_out = np.empty(room_here, dtype=np.int32)
    for s in range(count):
        dx, dy, dz = ends[s, 0] - starts[s, 0], ends[s, 1] - starts[s, 1], ends[s, 2] - starts[s, 2]
        length = np.sqrt(dx * dx + dy * dy + dz * dz)
        events = 0
        for c in range(first[s], first[s + 1]):
            f = facet_met[c]
            t = distance_met[c]
            p = bodies.plane[f]
            if p == start_plane[s] or p == end_plane[s] or t <= 0.0 or t >= length:
                continue
            x, y, z = starts[s, 0] + dx * t / length, starts[s, 1] + dy * t / length, starts[s, 2] + dz * t / length
            for w in range(bodies.twin_start[f] - 1, bodies.twin_start[f + 1]):
                g = f if w < bodies.twin_start[f] else bodies.twins[w]
                if g != f and not on_facet(planes, g, x, y, z):
                    continue
                known = False
                for e in range(events):
                    known = known or event_f[e] == g
                if known:  # a line crosses a plane once; a second hit is rounding
                    continue
                if events == len(event_t):
                    event_t = np.concatenate((event_t, np.empty(len(event_t))))
                    event_f = np.concatenate((event_f, np.empty(len(event_f), dtype=np.int32)))
                    span_in = np.concatenate((span_in, np.empty(len(span_in))))
                    span_out = np.concatenate((span_out, np.empty(len(span_out))))
                    face_in = np.concatenate((face_in, np.empty(len(face_in), dtype=np.int32)))
                    face_out = np.concatenate((face_out, np.empty(len(face_out), dtype=np.int32)))
                # Insert in order of distance, then of facet, so that ties do not depend on the tracer.
                e = events
                while e > 0 and (event_t[e - 1] > t or (event_t[e - 1] == t and event_f[e - 1] > g)):
                    event_t[e], event_f[e] = event_t[e - 1], event_f[e - 1]
                    e -= 1
                event_t[e], event_f[e] = t, g
                events += 1

        # Solids: each object is entered and left in turn; span_out = -1 marks one still open.
        spans = 0
        for e in range(events):
            f = event_f[e]
            if not bodies.solid[f]:
                continue
            closed = False
            for b in range(spans - 1, -1, -1):
                if span_out[b] < 0.0 and bodies.object[face_in[b]] == bodies.object[f]:
                    span_out[b], face_out[b] = event_t[e], f
                    closed = True
                    break
            if not closed:
                span_in[spans], face_in[spans], span_out[spans], face_out[spans] = event_t[e], f, -1.0, -1
                spans += 1
        for b in range(spans):
            if span_out[b] >= 0.0 or (start_plane[s] < 0 and end_plane[s] < 0):
                continue
            f = face_in[b]
            behind = _stands_on(planes, bodies, start_plane[s], bodies.object[f], starts[s])
            ahead = _stands_on(planes, bodies, end_plane[s], bodies.object[f], ends[s])
            if behind == ahead:
                inside[s] = True
            elif ahead:
                span_out[b] = length
            else:
                span_in[b], face_in[b], span_out[b], face_out[b] = 0.0, -1, span_in[b], f
        # A span that touches a bounce means the bounce happens inside or between bodies.
        for b in range(spans):
            touches_start = start_plane[s] >= 0 and span_in[b] < TOUCH_M and face_in[b] >= 0
            touches_end = end_plane[s] >= 0 and span_out[b] > length - TOUCH_M and face_out[b] >= 0
            if touches_start or touches_end:
                inside[s] = True
        # Merge spans of one material that touch or overlap; spans are in order of entry.
        for b in range(spans):
            if span_out[b] < 0.0:
                continue
            for other in range(b + 1, spans):
                one, two = max(face_in[b], face_out[b]), max(face_in[other], face_out[other])
                same = bodies.material[two] == bodies.material[one]
                if span_out[other] >= 0.0 and same and span_in[other] <= span_out[b] + TOUCH_M:
                    if span_in[other] < span_in[b]:
                        span_in[b], face_in[b] = span_in[other], face_in[other]
                    if span_out[other] > span_out[b]:
                        span_out[b], face_out[b] = span_out[other], face_out[other]
                    span_out[other] = -1.0

        begin = written
        for e in range(events):
            f = event_f[e]
            if bodies.solid[f]:
                continue
            repeated = False
            for before in range(events):
                g = event_f[before]
                # The same plane again: coincident sheets, or a sheet lying on a solid's face.
                if g != f and bodies.plane[g] == bodies.plane[f] and (bodies.solid[g] or g < f):
                    repeated = True
            if repeated:
                continue
            if written + 2 > len(kind):
                kind, facet, part = _more(kind), _more(facet), _more(part)
                depth, distance = _more_real(depth), _more_real(distance)
            kind[written], facet[written], part[written] = TRANSMISSION, f, bodies.part[f]
            depth[written], distance[written] = np.nan, event_t[e]
            written += 1
        for b in range(spans):
            chord = span_out[b] - span_in[b]
            if span_out[b] < 0.0 or chord <= 0.0:
                continue
            if written + 2 > len(kind):
                kind, facet, part = _more(kind), _more(facet), _more(part)
                depth, distance = _more_real(depth), _more_real(distance)
            a, o = face_in[b], face_out[b]
            if a < 0 or o < 0:
                if a < 0 and o < 0:
                    inside[s] = True  # from bounce to bounce within one body
                    continue
                kind[written], facet[written], part[written] = STANDING, max(a, o), bodies.part[max(a, o)]
                depth[written], distance[written] = (-chord, span_out[b]) if a < 0 else (chord, span_in[b])
                written += 1
                continue
            n, m = planes.normal[bodies.plane[a]], planes.normal[bodies.plane[o]]
            which = min(bodies.part[a], bodies.part[o])
            if abs(n[0] * m[0] + n[1] * m[1] + n[2] * m[2]) > PARALLEL_COS:
                kind[written], facet[written], part[written] = TRANSMISSION, a, which
                depth[written] = chord * abs(n[0] * dx + n[1] * dy + n[2] * dz) / length
                distance[written] = span_in[b]
                written += 1
            else:
                for side in range(2):
                    kind[written], part[written], depth[written] = OBLIQUE_FACE, which, chord
                    facet[written] = a if side == 0 else o
                    distance[written] = span_in[b] if side == 0 else span_out[b]
                    written += 1
        # Order along the segment (insertion sort: a handful of rows).
        for i in range(begin + 1, written):
            k, f, p, d, t = kind[i], facet[i], part[i], depth[i], distance[i]
            j = i
            while j > begin and distance[j - 1] > t:
                kind[j], facet[j], part[j] = kind[j - 1], facet[j - 1], part[j - 1]
                depth[j], distance[j] = depth[j - 1], distance[j - 1]
                j -= 1
            kind[j], facet[j], part[j], depth[j], distance[j] = k, f, p, d, t
        first_out[s + 1] = written
    return inside, first_out, kind[:written], facet[:written], part[:written], depth[:written], distance[:written]


@njit(nogil=True, cache=True)
def _stands_on(planes: Planes, bodies: Bodies, plane: int, thing: int, point: FloatArray) -> bool:
    """Whether a solid object has a face in a plane (−1 for none) that holds a point of it."""
    if plane < 0:
        return False
    for i in range(planes.plane_start[plane], planes.plane_start[plane + 1]):
        g = planes.plane_facets[i]
        if bodies.solid[g] and bodies.object[g] == thing and on_facet(planes, g, point[0], point[1], point[2]):
            return True
    return False


@njit(nogil=True, cache=True)
def _more(array: IntArray) -> IntArray:
    return np.concatenate((array, np.empty(len(array), dtype=np.int32)))


@njit(nogil=True, cache=True)
def _more_real(array: FloatArray) -> FloatArray:
    return np.concatenate((array, np.empty(len(array))))
