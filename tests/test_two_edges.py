"""Waves bent at two edges: transition function, two screens, a thick wall against a boundary-element solution."""

from __future__ import annotations

import csv

import numpy as np
import pytest
from scipy.special import erfc, fresnel, hankel2, wofz

from rf3d.propagation.assembly import spreading_over_two
from rf3d.propagation.diffraction import MOST_DETOUR_M
from rf3d.propagation.kernels.bends import bend_points, make_bends
from rf3d.propagation.kernels.corners import along_face, double_transition, ground_wave
from rf3d.propagation.kernels.crossings import DIFFRACTION
from rf3d.propagation.kernels.interfaces import make_walls
from rf3d.units import SPEED_OF_LIGHT_M_S
from rf3d.venue.edges import find_edges
from rf3d.venue.facets import find_facets
from tests.scenes import block, plain, quad, scene_of, surface
from tests.test_diffraction import trace
from tests.test_invariants import antennas

FREQUENCY = 915e6
K = 2 * np.pi * FREQUENCY / SPEED_OF_LIGHT_M_S
CONDUCTOR = plain("conductor", 1.0, 1e14)


def two_screens(top_a, top_b, before, gap, after):
    """Field over free field behind two absorbing half-planes: the Fresnel–Kirchhoff integral over both apertures.

    The inner integral is an error function; the outer one runs where its integrand decays, at −45°.
    """
    a, b, c = 1 / before + 1 / gap, 1 / gap + 1 / after, 1 / gap
    narrow = a - c * c / b
    s = np.linspace(0.0, 8 * np.sqrt(2 / K / narrow), 40001)
    x = top_a + np.exp(-0.25j * np.pi) * s
    inner = 0.5 * erfc(np.sqrt(0.5j * K * b) * (top_b - c * x / b))
    outer = np.exp(-0.5j * K * narrow * x * x - 0.25j * np.pi)
    return np.trapezoid(outer * inner, s) * np.sqrt(0.5j * K * narrow / np.pi)


def screens(tops, places, length, soft, *, material="metal"):
    """Engine's field over free field behind upright screens, E along their top edges or across."""
    pieces, surfaces = [], []
    for i, (top, x) in enumerate(zip(tops, places, strict=True)):
        if soft:
            corners = [(x, -150, -60), (x, -150, 60), (x, top, 60), (x, top, -60)]
        else:
            corners = [(x, -60, -150), (x, 60, -150), (x, 60, top), (x, -60, top)]
        pieces.append(quad(f"screen {i}", *corners))
        surfaces.append(surface(f"screen {i}", material, thickness_m=0.002))
    paths, answer = trace(pieces, tuple(surfaces), (0, 0, 0), (length, 0, 0))
    over = paths.length_m < length + 5  # not round the far ends of the screens
    paths = paths.take(np.flatnonzero(over))
    return paths, -answer.arriving[over, 0, 2].sum() * 2 * K * length * np.exp(1j * K * length)


def bends(paths):
    """Number of edges of each path."""
    return np.add.reduceat(paths.kind == DIFFRACTION, paths.start[:-1]).tolist() if paths.count else []


def db(value):
    return 20 * np.log10(np.abs(value))


@pytest.mark.parametrize("w", [-0.8, 0.0, 0.5, 0.95])
@pytest.mark.parametrize(("a", "b"), [(0.3, 0.7), (1.5, 0.05), (4.0, 2.0)])
def test_double_transition_is_the_corner_of_a_quadrant(a, b, w):
    """Quadrant integral of both apertures in shadow, where there is no other wave, over the corner's asymptote."""
    root = np.sqrt(1 - w * w)
    low_x, low_y = (a + w * b) / root, (b + w * a) / root
    s = np.linspace(0.0, 12.0 * root, 200001)
    x = low_x + np.exp(-0.25j * np.pi) * s
    inner = 0.5 * erfc(np.exp(0.25j * np.pi) * (low_y - w * x) / root)
    quadrant = np.trapezoid(np.exp(-1j * x * x - 0.25j * np.pi) * inner, s) * np.exp(0.25j * np.pi) / np.sqrt(np.pi)
    corner = root / (4j * np.pi * a * b) * np.exp(-1j * (low_x**2 + b * b))
    assert double_transition(a, b, w) * corner == pytest.approx(quadrant, rel=2e-6)


def test_double_transition_tends_to_one_and_its_odd_part_to_the_slope():
    assert double_transition(30.0, 40.0, 0.4) == pytest.approx(1.0, abs=1.2e-3)
    odd = double_transition(30.0, 40.0, 0.4) - double_transition(30.0, 40.0, -0.4)
    assert odd * 30.0 * 40.0 / 0.4 == pytest.approx(-1j, abs=5e-3)


@pytest.mark.parametrize("p", [1e-9, 0.3 - 2j, 5.9j + 0.1, -4 - 4j, 15.9 - 2j, 16.1 - 2j, -50.0 - 1j, 2e6 - 3j])
def test_ground_wave_is_the_error_function(p):
    root = np.sqrt(complex(p))
    expected = 1 - 1j * np.sqrt(np.pi) * root * wofz(-root)
    assert ground_wave(root) == pytest.approx(expected, rel=3e-6)


@pytest.mark.parametrize("frequency", [0.915e9, 2.441e9, 5.8e9])
@pytest.mark.parametrize("depth", [0.01, 0.03, 0.04, 0.05, 0.1])
def test_a_board_feeds_no_wave_along_it(frequency, depth):
    """A board near half a wavelength thick is a capacitive surface: p lies beyond the cut of its root, and by the other
    sign the wave grew by exp(|p|), 70 dB along a counter of 4 cm. What is left above 1 is the wave that a thin,
    inductive board guides: it does not grow with the way.
    """
    boards = make_walls((surface("board", "wood", thickness_m=depth),), np.array([frequency]))
    for distance in np.geomspace(0.05, 20.0, 60):
        for attenuation in along_face(boards, 0, 0, np.nan, distance):
            assert abs(attenuation) < 6.0


@pytest.mark.parametrize("material", ["metal", "concrete", CONDUCTOR])
def test_waves_along_faces_of_any_material_are_finite(material):
    """TE dies away on all, TM only on what is no conductor; at every frequency, thick and thin."""
    faces = make_walls((surface("face", material, half_space=True),), np.linspace(0.9e9, 0.93e9, 60))
    for f in range(60):
        te, tm = along_face(faces, f, 0, np.inf, 0.5)
        assert abs(te) < 0.5
        assert (abs(tm - 1.0) < 0.05) == (material != "concrete")


def test_knife_edge_table_and_worked_example(shared):
    """J(ν) of CHECKS.md section 2 as the mean of both polarisations behind a conducting half-plane, up to 10° of bend.

    A half-plane is no absorber: the edge wave of what it reflects, 1/(2√(2πkL)) of the incident field straight behind
    it, adds to one polarisation and takes from the other. The mean cancels it; what is left is the paraxial
    approximation of J, below 0.06 dB.
    """
    before, after = 40.0, 60.0
    scale = np.sqrt(2 * (before + after) * FREQUENCY / SPEED_OF_LIGHT_M_S / (before * after))
    reflected = 0.5 / np.sqrt(2 * np.pi * K * before * after / (before + after))
    for row in csv.DictReader((shared / "checks" / "knife_edge_reference.csv").read_text().splitlines()):
        height = float(row["v"]) / scale
        if abs(height) > 4.0:
            continue
        s, c = fresnel(float(row["v"]))
        assert -db(0.5 * abs((1 - c - s) + 1j * (c - s))) == pytest.approx(float(row["J_exact_dB"]), abs=1e-6)
        both = [screens([height], [before], before + after, soft, material=CONDUCTOR)[1] for soft in (True, False)]
        assert db(0.5 * sum(both)) == pytest.approx(-float(row["J_exact_dB"]), abs=0.06)
        for field in both:
            assert abs(field - 0.5 * sum(both)) == pytest.approx(reflected, rel=0.15)


@pytest.mark.parametrize(
    ("top_a", "top_b", "before", "gap", "after"),
    [(1, 1, 20, 20, 20), (2, 1, 10, 30, 20), (-1, 1, 20, 20, 20), (0.5, 2, 20, 5, 30), (0.3, 0.3, 20, 1, 20)],
)
def test_two_screens_against_the_double_integral(top_a, top_b, before, gap, after):
    """Mean of both polarisations within 0.1 dB, whether one, both or neither of the shadow boundaries is near."""
    length = before + gap + after
    both = [screens([top_a, top_b], [before, before + gap], length, soft) for soft in (True, False)]
    assert 2 in bends(both[0][0])
    expected = two_screens(top_a, top_b, before, gap, after)
    assert db(0.5 * sum(field for _, field in both)) == pytest.approx(db(expected), abs=0.1)


@pytest.mark.parametrize(("height", "loss_db"), [(25.0, 21.741), (1e-3, 6.021), (-25.0, 0.741)])
def test_worked_example_of_a_knife_edge(height, loss_db):
    """CHECKS.md Ex. 4.7 (1 km + 1 km, λ = 1/3 m, ν = ±2.7386 and 0) at the same ν over 50 m + 50 m; metal.

    Within 0.1 dB of the exact J as the mean of both polarisations.
    """
    height *= np.sqrt(50.0 / 1000.0 * SPEED_OF_LIGHT_M_S / FREQUENCY * 3)
    both = [screens([height], [50.0], 100.0, soft)[1] for soft in (True, False)]
    assert db(0.5 * sum(both)) == pytest.approx(-loss_db, abs=0.1)


def test_two_edges_on_the_line_of_sight_leave_a_third():
    """n edges evenly spaced on the line of sight leave 1/(n + 1): Lee, IEEE TAP 26 (1978) 531, from memory."""
    assert abs(two_screens(0.0, 0.0, 20.0, 20.0, 20.0)) == pytest.approx(1 / 3, abs=1e-6)
    both = [screens([1e-3, 1e-3], [20.0, 40.0], 60.0, soft, material=CONDUCTOR)[1] for soft in (True, False)]
    assert abs(0.5 * sum(both)) == pytest.approx(1 / 3, rel=0.01)


def boundary_elements(width, height, tx, rx, soft):
    """Field over free field of a line source round a conducting block, 2-D: integral equations on its outline."""
    corners = np.array([(0, -height), (0, 0), (width, 0), (width, -height)], dtype=float)
    middles, lengths, normals = [], [], []
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        cuts = a + (b - a) * np.linspace(0, 1, int(np.ceil(np.linalg.norm(b - a) / 0.012)) + 1)[:, None]
        step = np.diff(cuts, axis=0)
        size = np.linalg.norm(step, axis=1)
        middles.append(0.5 * (cuts[1:] + cuts[:-1]))
        lengths.append(size)
        normals.append(np.stack([-step[:, 1], step[:, 0]], axis=1) / size[:, None])
    at, size, normal = np.concatenate(middles), np.concatenate(lengths), np.concatenate(normals)

    def green(r):
        return -0.25j * hankel2(0, K * r)

    def slope(points):
        span = at[None] - points[:, None]
        r = np.linalg.norm(span, axis=2)
        r[r == 0] = 1.0
        return 0.25j * K * hankel2(1, K * r) * np.einsum("ijk,jk->ij", span, normal) / r

    tx, rx = np.asarray(tx), np.asarray(rx)
    incident, free = green(np.linalg.norm(at - tx, axis=1)), green(np.linalg.norm(rx - tx))
    if soft:  # electric-field equation for the current
        r = np.linalg.norm(at[:, None] - at[None], axis=2)
        np.fill_diagonal(r, 1.0)
        matrix = green(r) * size
        own = -0.25j * size * (1 - 2j / np.pi * (np.log(K * size / 4) + np.euler_gamma - 1))
        np.fill_diagonal(matrix, own)
        current = np.linalg.solve(matrix, incident)
        return 1 - (green(np.linalg.norm(at - rx, axis=1)) * size * current).sum() / free
    matrix = slope(at) * size  # magnetic-field equation for the total field
    np.fill_diagonal(matrix, 0.0)
    total = np.linalg.solve(0.5 * np.eye(len(at)) - matrix, incident)
    return 1 + (slope(rx[None])[0] * size * total).sum() / free


@pytest.mark.parametrize("soft", [True, False])
@pytest.mark.parametrize(
    ("width", "tx", "rx"),
    [
        (0.05, (-1.5, -0.4), (1.5, -0.5)),
        (0.15, (-1.5, -0.4), (1.5, -0.5)),
        (0.3, (-3.0, -2.0), (2.5, -0.1)),
        (0.3, (-1.5, -0.4), (2.5, -0.02)),
    ],
)
def test_thick_wall_against_boundary_elements(width, tx, rx, soft):
    """Over both edges of one conducting face, E along them (slope diffraction) or across: within 10 %, phase included.

    From a thickness of a seventh of a wavelength on, and up to the shadow boundary of the far edge.
    """
    wall = block("wall", (0, -4, -60), (width, 0, 60)) if soft else block("wall", (0, -60, -4), (width, 60, 0))
    ends = [(x, y, 0.0) if soft else (x, 0.0, y) for x, y in (tx, rx)]
    paths, answer = trace([wall], (surface("wall", CONDUCTOR, body="solid"),), *ends)
    assert bends(paths) == [2, 2]  # over the top and under the foot
    way = -paths.arrival
    down = way * way[:, 2:] - np.array([0.0, 0.0, 1.0])  # −θ of each path
    down /= np.linalg.norm(down, axis=1)[:, None]
    distance = np.hypot(rx[0] - tx[0], rx[1] - tx[1])
    got = np.einsum("pi,pi->", answer.arriving[:, 0], down) * 2 * K * distance * np.exp(1j * K * distance)
    assert got == pytest.approx(boundary_elements(width, 4.0, tx, rx, soft), rel=0.1)


def skew_screens(material):
    """Two upright screens, one turned by 17° in plan, whose top edges lean against each other."""
    far, up, lean = np.array([8.9, 28.7, 0.0]), np.array([0.0, 0.0, 30.5]), np.array([0.0, 0.0, 8.0])
    foot = np.array([11.0, 0.0, -30.0])
    pieces = [
        quad("near", (0, -30, -30), (0, 30, -30), (0, 30, 0.4), (0, -30, 0.4)),
        quad("far", foot - far, foot + far, foot + far + up + lean, foot - far + up - lean),
    ]
    return pieces, tuple(surface(name, material, thickness_m=0.02) for name in ("near", "far"))


@pytest.mark.parametrize("kind", ["metal", "board", "thick"])
def test_swapping_the_ends_of_ways_over_two_edges(kind):
    """Skew edges of metal or board, oblique, and along the top of a lossy wall: amplitudes agree to 1e-9."""
    if kind == "thick":
        pieces = [block("wall", (0, -30, -30), (0.3, 30, 0))]
        surfaces = (surface("wall", plain("brick", 3.9, 0.05), body="solid"),)
    else:
        pieces, surfaces = skew_screens("metal" if kind == "metal" else plain("board", 2.7, 0.02))
    ends, tx, rx = antennas(), (-5.0, 1.0, -0.8), (17.0, -2.0, -0.5)
    there, forward = trace(pieces, surfaces, tx, rx, ends=ends)
    back, reverse = trace(pieces, surfaces, rx, tx, ends=ends[::-1])
    assert 2 in bends(there)
    one, two = np.argsort(there.length_m), np.argsort(back.length_m)
    assert back.length_m[two] == pytest.approx(there.length_m[one], rel=1e-12)
    assert reverse.amplitude[two, 0] == pytest.approx(forward.amplitude[one, 0], rel=1e-9)


@pytest.mark.parametrize("kind", ["conductor", "board"])
def test_no_jump_where_a_second_edge_covers_the_first(kind):
    """Down past the line from the first edge over the second, parallel or skew: no jump over 0.1 dB."""
    pieces, surfaces = skew_screens(CONDUCTOR if kind == "conductor" else plain("board", 2.7, 0.02))
    tx = np.array([-5.0, 0.6, -0.8])
    low, high = np.array([17.0, -1.0, -2.0]), np.array([17.0, -1.0, 3.5])

    def at(share):
        paths, answer = trace(pieces, surfaces, tx, low + share * (high - low))
        seen = tuple(sorted(bends(paths)))
        walls = len(paths.kind) - sum(seen)
        return (seen, walls), answer.arriving[:, 0].sum(axis=0)

    shares = np.linspace(0.0, 1.0, 46)
    answers = [at(share) for share in shares]
    crossed = 0
    for i in range(len(shares) - 1):
        if answers[i][0] == answers[i + 1][0]:
            continue
        below, above = shares[i], shares[i + 1]
        state = answers[i][0]
        while above - below > 2e-5:  # a tenth of a millimetre, well above float32
            middle = 0.5 * (below + above)
            below, above = (middle, above) if at(middle)[0] == state else (below, middle)
        one, two = at(below)[1], at(above)[1]
        assert np.linalg.norm(one - two) < (10 ** (0.1 / 20) - 1) * np.linalg.norm(one)
        crossed += 1
    assert crossed >= 2


def test_ways_over_two_edges_lie_on_both_cones():
    """Edges that meet in a corner, lean or cross: a way is found only where both angles in equal those out.

    Newton's steps stopped short in the corner of two edges, and a way that is none was kept.
    """
    generator = np.random.default_rng(3)
    box = find_facets(scene_of([block("box", (0, 0, 0), (3, 2, 1)), block("bar", (3.5, -2, -1), (3.7, 4, 0.5))]))
    edges = find_edges(box)
    lines, first, second = make_bends(edges, box), np.empty(3), np.empty(3)
    found = 0
    for source, receiver in generator.uniform(-6.0, 8.0, (100, 2, 3)):
        for a, b in generator.permutation(edges.count)[:24].reshape(12, 2):
            if not bend_points(lines, a, b, source, receiver, first, second):
                continue
            legs = np.diff([source, first, second, receiver], axis=0)
            legs /= np.linalg.norm(legs, axis=1)[:, None]
            for e, before, after in ((a, legs[0], legs[1]), (b, legs[1], legs[2])):
                assert edges.axis[e] @ before == pytest.approx(edges.axis[e] @ after, abs=2e-8)
            found += 1
    assert found > 100


def test_ways_over_two_edges_end_where_the_detour_is_long():
    """Over two screens a metre apart, half-way along 101 m: 4.99 m of detour counts, 5.01 m does not, both ways."""
    for detour, count in ((0.1, 1), (MOST_DETOUR_M - 0.01, 1), (MOST_DETOUR_M + 0.01, 0)):
        top = np.sqrt((50.0 + detour / 2) ** 2 - 50.0**2)
        pieces = [quad(f"s{x}", (x, -200, -60), (x, 200, -60), (x, 200, top), (x, -200, top)) for x in (50, 51)]
        surfaces = tuple(surface(f"s{x}", "metal", thickness_m=0.002) for x in (50, 51))
        for ends in (((0, 0, 0), (101, 0, 0)), ((101, 0, 0), (0, 0, 0))):
            paths, _ = trace(pieces, surfaces, *ends)
            assert bends(paths).count(2) == count


def test_spreading_is_that_of_a_narrow_tube_of_rays():
    """Area of the tube that Keller's cones make of a small fan of rays, over two skew edges, by finite differences."""
    edge_a, edge_b = np.array([0.2, 1.0, 0.1]), np.array([-0.5, 0.7, 0.4])
    edge_a, edge_b = edge_a / np.linalg.norm(edge_a), edge_b / np.linalg.norm(edge_b)
    a, b, r = np.array([3.0, 0.1, 0.3]), np.array([5.5, -0.4, 0.5]), np.array([9.0, 0.6, -0.7])

    def length(places, receiver, source):
        p, q = a + places[0] * edge_a, b + places[1] * edge_b
        return np.linalg.norm(p - source) + np.linalg.norm(q - p) + np.linalg.norm(receiver - q)

    # A source from which the least way runs through a and b: on the cones of both edges.
    middle = (b - a) / np.linalg.norm(b - a)
    axis = r - b
    axis -= axis @ edge_b * edge_b
    out = middle @ edge_b * edge_b + np.sqrt(1 - (middle @ edge_b) ** 2) * axis / np.linalg.norm(axis)
    r = b + 4.0 * out
    back = np.array([-1.0, 0.2, -0.4])
    back -= back @ edge_a * edge_a
    into = -(middle @ edge_a) * edge_a + np.sqrt(1 - (middle @ edge_a) ** 2) * back / np.linalg.norm(back)
    source = a + 3.0 * into
    step = 1e-3

    def second(i, j):
        total = 0.0
        for x, y in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
            places = np.zeros(2)
            places[i] += x * step
            places[j] += y * step
            total += x * y * length(places, r, source)
        return total / (4 * step * step)

    # Stationary phase over both edges: the field falls as the root of the Hessian's determinant and of the three legs.
    hessian = second(0, 0) * second(1, 1) - second(0, 1) ** 2
    legs = [3.0, np.linalg.norm(b - a), 4.0]
    sin_a2, sin_b2 = 1 - (middle @ edge_a) ** 2, 1 - (middle @ edge_b) ** 2
    got = spreading_over_two(
        *(np.array([leg]) for leg in legs), middle=(b - a)[None], first=edge_a[None], second=edge_b[None]
    )[0]
    assert got == pytest.approx(np.prod(legs) * np.sqrt(hessian / (sin_a2 * sin_b2)), rel=1e-5)
