"""Bounces off floors and walls where a solid stands against them."""

from __future__ import annotations

import numpy as np
import pytest

from rf3d.propagation.kernels.crossings import LOBE, OBLIQUE_FACE, REFLECTION, STANDING
from tests.scenes import block, plain, quad, room, surface
from tests.test_diffraction import trace
from tests.test_invariants import antennas

SIZE = (6.0, 5.0, 3.0)
# Bounces off the floor, the ceiling and a side wall fall within the partition's footprint.
TX, RX = (1.2, 2.1, 1.4), (4.83, 2.9, 1.45)
CONCRETE = plain("concrete", 5.2, 0.05)


def answered(partition, *, wall=CONCRETE, tx=TX, rx=RX, first=False, ends=None, order=2):
    """Paths without bends, and amplitude, in a room with a partition 0.1 m thick from wall to wall; None for none."""
    pieces = room(SIZE)
    surfaces = [surface(name, wall, half_space=True) for name, _, _ in pieces]
    if partition is not None:
        at = 0 if first else len(pieces)
        pieces.insert(at, block("partition", (3.0, 0.0, 0.0), (3.1, SIZE[1], SIZE[2])))
        surfaces.insert(at, surface("partition", partition, body="solid"))
    paths, answer = trace(pieces, tuple(surfaces), tx, rx, order=order, ends=ends)
    beside = (paths.edge >= 0) | (paths.kind == LOBE)
    straight = np.flatnonzero(np.bincount(paths.path_of_interaction, beside, minlength=paths.count) == 0)
    order_of = straight[np.argsort(paths.length_m[straight], kind="stable")]
    return paths.take(order_of), answer.amplitude[order_of, 0]


@pytest.mark.parametrize("first", [False, True])
def test_a_partition_of_air_changes_nothing(first):
    """Every path of the empty room is there, whichever of the coincident faces is drawn first.

    Where the way went into the partition, off the floor and out of the partition the bounce was left out.
    """
    empty, want = answered(None)
    filled, got = answered(plain("air", 1.0, 0.0), first=first)
    assert filled.count == 27  # two bounce off the partition itself, and bring nothing
    real = np.flatnonzero(np.abs(got) > 1e-12)
    filled, got = filled.take(real), got[real]
    assert empty.count == 25
    assert filled.length_m == pytest.approx(empty.length_m, abs=1e-9)
    assert got == pytest.approx(want, rel=1e-9)
    bounces = filled.point_m[filled.kind == REFLECTION]
    middle = SIZE[0] / 2
    assert (np.abs(bounces[:, 0] + middle - 3.05) < 0.05).sum() == 3
    assert not (filled.kind == STANDING).any()


def test_foot_of_a_wall_passes_what_its_faces_and_its_bulk_pass():
    """Floor bounce inside a lossy partition: Snell, Fresnel and the bulk along the chord, worked out here.

    TE at the faces of the partition and TM at the floor, in the plane y = const.
    """
    wood, k = plain("wood", 2.0, 0.02), 2 * np.pi * 915e6 / 299_792_458.0
    tx, rx = (1.2, 2.5, 1.4), (4.9, 2.5, 1.4)
    empty, want = answered(None, tx=tx, rx=rx, order=1)
    filled, got = answered(wood, tx=tx, rx=rx, order=1)
    floor = empty.path_of_interaction[empty.point_m[:, 2] < -1.499][0]
    length = empty.length_m[floor]
    one = int(np.flatnonzero(np.abs(filled.length_m - length) < 1e-9)[0])
    assert (filled.kind[filled.start[one] : filled.start[one + 1]] == OBLIQUE_FACE).sum() == 2
    eps = 2.0 - 0.02j / (2 * np.pi * 915e6 * 8.8541878128e-12)
    cosine = 3.7 / length
    inner = np.sqrt(eps - 1 + cosine**2)
    # The wave is vertical-polarised in a vertical plane across the partition: TM at its faces too.
    r = (eps * cosine - inner) / (eps * cosine + inner)
    chord = 0.1 / cosine
    bulk = np.exp(-chord * k * abs(np.imag(np.sqrt(eps))))
    assert abs(got[one] / want[floor]) == pytest.approx(abs(1 - r**2) * bulk, rel=0.02)


def test_swapping_the_ends_where_a_wall_stands():
    wood, ends = plain("wood", 2.0, 0.02), antennas()
    there, forward = answered(wood, ends=ends)
    back, reverse = answered(wood, tx=RX, rx=TX, ends=ends[::-1])
    assert back.length_m == pytest.approx(there.length_m, abs=1e-9)
    assert there.count == 27
    assert sorted(np.abs(reverse)) == pytest.approx(sorted(np.abs(forward)), rel=1e-9)


def test_walls_of_one_material_are_one():
    """A partition of the walls' own concrete leaves no face to bounce off where it stands; a plinth is a layer."""
    wood, _ = answered(plain("wood", 2.0, 0.02))
    same, _ = answered(CONCRETE)
    bounces = same.point_m[same.kind == REFLECTION][:, 0] + SIZE[0] / 2
    assert not (np.abs(bounces - 3.05) < 0.0499).any()
    assert same.count < wood.count == 27
    pieces = [
        quad("floor", (-5, -5, 0), (5, -5, 0), (5, 5, 0), (-5, 5, 0)),
        block("plinth", (-3, -3, 0), (3, 3, 0.2)),
    ]
    surfaces = (surface("floor", CONCRETE, half_space=True), surface("plinth", plain("wood", 2.0, 0.02), body="solid"))
    paths, _ = trace(pieces, surfaces, (-2, 0, 1.5), (2, 0.1, 1.5), order=1)
    assert (paths.kind == REFLECTION).sum() == 1
