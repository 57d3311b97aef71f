"""Pictures: what is prepared for them exactly, and that each one is drawn, whole or not at all."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from rf3d.assessment.links import VERDICT_CHANCES
from rf3d.assessment.run import solve
from rf3d.errors import InputError
from rf3d.jobs import Jobs
from rf3d.plan import load_plan, load_scene
from rf3d.propagation.grid import make_grid
from rf3d.propagation.volume import trace_volume
from rf3d.views import pictures
from rf3d.views.furniture import chance_text, level_text, minus, share_text
from rf3d.views.layout import (
    colour_bands,
    dash_pattern,
    dashes,
    leader,
    place_labels,
    plan_view,
    round_length,
    round_levels,
    ruler_ticks,
    three_quarter_view,
    wrapped,
)
from rf3d.views.link_pictures import VERDICT_MARKS, listed, path_points, path_words, receiver_row
from rf3d.views.model import breadth_m, in_the_way
from rf3d.views.page import HEIGHT, WIDTH
from rf3d.views.power_pictures import level_surfaces, slice_power_dbm, volumes_of_one_radio

AREA = (100.0, 50.0, 900.0, 650.0)


@pytest.fixture
def solution(room_plan):
    """The small room, solved."""
    plan = load_plan(room_plan)
    return solve(plan, load_scene(plan), jobs=Jobs(workers=1))


@pytest.fixture
def volume(solution):
    """Its transmitter over half-metre voxels."""
    setting = solution.setting
    return trace_volume(
        setting, solution.plan.transmitters[0], grid=make_grid(setting.scene, 0.5), max_reflections=1,
        rays=2000, seed=1, jobs=Jobs(workers=1),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (-90.0, -20.0, [-60.0, -50.0, -40.0, -30.0]),
        (-62.0, -50.0, [-58.0, -56.0, -54.0, -52.0]),
        (-50.4, -50.2, [-50.0]),
    ],
)
def test_levels_are_round_and_nest(low, high, expected):
    """Steps of 10 dB where the data span enough, finer where they do not; NaN is no data."""
    values = np.append(np.linspace(low, high, 10_001), np.nan)
    assert round_levels(values).tolist() == expected


def test_no_levels_without_data():
    assert len(round_levels(np.full(5, np.nan))) == 0


def test_colour_bands_hold_the_data_and_not_the_inside_of_a_steel_box():
    """Bands cover everything up to 60 dB below the top; a tenth of the voxels at −200 dBm changes nothing."""
    values = np.linspace(-80.0, -31.0, 5000)
    bands = colour_bands(values)
    assert bands.tolist() == [-80.0, -75.0, -70.0, -65.0, -60.0, -55.0, -50.0, -45.0, -40.0, -35.0, -30.0]
    with_box = colour_bands(np.concatenate([values, np.full(500, -200.0)]))
    assert with_box[-1] == -30.0
    assert with_box[0] >= -100.0
    assert len(with_box) <= 15


def test_dashes_keep_corners_and_add_up():
    """A bent path of 7 m cut into 2 on, 1.5 off; a dash over the bend keeps it; what is drawn adds up."""
    line = np.array([[0.0, 0, 0], [3, 0, 0], [3, 4, 0]])
    pieces = dashes(line, (2.0, 1.5))
    assert [piece.tolist() for piece in pieces] == [
        [[0, 0, 0], [2, 0, 0]],
        [[3, 0.5, 0], [3, 2.5, 0]],
    ]
    around = dashes(line, (4.0, 9.0))
    assert around[0].tolist() == [[0, 0, 0], [3, 0, 0], [3, 1, 0]]
    drawn = sum(np.linalg.norm(np.diff(piece, axis=0), axis=1).sum() for piece in dashes(line, (0.3, 0.05)))
    assert drawn == pytest.approx(0.3 * 20)
    assert [piece.tolist() for piece in dashes(line, ())] == [line.tolist()]


def test_each_number_of_reflections_has_its_own_dash():
    patterns = [dash_pattern(n) for n in range(4)]
    assert patterns[0] == ()
    assert [len(p) for p in patterns[1:]] == [2, 4, 6]


def test_labels_keep_apart_and_inside():
    """Twelve labels about six crowded points: no two overlap, none covers a point, none leaves the area."""
    rng = np.random.default_rng(3)
    anchors = np.concatenate([rng.uniform(400, 460, (8, 2)), [[105, 60], [895, 640], [890, 60], [110, 640]]])
    sizes = np.column_stack([rng.uniform(30, 170, 12), np.full(12, 16.0)])
    taken = [(350.0, 300.0, 420.0, 340.0)]
    corners = place_labels(anchors, sizes, area=AREA, taken=taken)
    boxes = [(*c, *(c + s)) for c, s in zip(corners, sizes, strict=True)]

    def apart(a, b):
        return a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]

    for i, box in enumerate(boxes):
        assert AREA[0] <= box[0]
        assert AREA[1] <= box[1]
        assert box[2] <= AREA[2]
        assert box[3] <= AREA[3]
        assert all(apart(box, other) for other in boxes[i + 1 :] + taken)
        assert all(apart(box, (x - 1, y - 1, x + 1, y + 1)) for x, y in anchors)


def test_leader_only_where_the_label_is_away():
    assert leader(np.array([0.0, 0.0]), (12.0, -5.0, 40.0, 5.0)) is None
    line = leader(np.array([0.0, 0.0]), (30.0, -5.0, 60.0, 5.0))
    assert line.tolist() == [[10.0, 0.0], [30.0, 0.0]]


def test_lines_break_at_spaces():
    assert wrapped("one two three four", 9, len) == ["one two", "three", "four"]
    assert wrapped("unbreakable word", 4, len) == ["unbreakable", "word"]


@pytest.mark.parametrize(("limit", "expected"), [(7.3, 5.0), (0.21, 0.2), (19.9, 10.0), (2.0, 2.0)])
def test_round_length(limit, expected):
    assert round_length(limit) == pytest.approx(expected)


@pytest.mark.parametrize("span", [0.7, 5.0, 38.0, 90.0, 400.0])
def test_ruler_ticks_are_round_and_few(span):
    ticks = ruler_ticks(-0.3 * span, 0.7 * span)
    assert 3 <= len(ticks) <= 9
    assert ticks[0] >= -0.3 * span - 1e-9
    assert ticks[-1] <= 0.7 * span + 1e-9
    assert np.allclose(ticks / np.diff(ticks)[0], np.round(ticks / np.diff(ticks)[0]))


def test_a_short_ruler_still_has_its_ticks():
    assert ruler_ticks(-0.1, 4.3, most=2).tolist() == [0.0, 2.0, 4.0]


@pytest.mark.parametrize("house_azimuth_rad", [None, -np.pi / 2, 0.0, 2.0])
def test_the_whole_venue_fits_the_view(house_azimuth_rad):
    """Every point lands within the padded area and touches two of its opposite borders."""
    points = np.random.default_rng(1).uniform(-1, 1, (400, 3)) * [30, 20, 6]
    camera = three_quarter_view(points, house_azimuth_rad, area=AREA, pad=(40.0, 30.0))
    page = camera.project(points)
    low, high = np.array([140.0, 80.0]), np.array([860.0, 620.0])
    assert (page > low - 1.5).all()
    assert (page < high + 1.5).all()
    slack = np.minimum(page.min(axis=0) - low, high - page.max(axis=0))
    assert slack.min() == pytest.approx(0.0, abs=1.5)


def test_plan_view_has_the_house_at_the_bottom_and_stage_left_on_the_right():
    """Facing the house, which is below on the page, the performer's left is the page's right."""
    bounds = np.array([[-12.0, -9, 0], [12, 9, 8]])
    camera = plan_view(bounds, -np.pi / 2, area=AREA)
    middle, house, left = camera.project(np.array([[0.0, 0, 0], [0, -5, 0], [5, 0, 3]]))
    assert house[1] < middle[1]
    assert left[0] - middle[0] == pytest.approx(5 * camera.pixels_per_metre)
    assert left[1] == pytest.approx(middle[1])
    turned = plan_view(bounds, 0.0, area=AREA)
    assert turned.project(np.array([[5.0, 0, 0]]))[0, 1] < turned.project(np.zeros((1, 3)))[0, 1]


def test_margin_chance_and_share_in_words():
    """Never rounded up: a chance just under a verdict's least must not read as that least."""
    assert level_text(55.6) == "56 dB above threshold"
    assert level_text(-2.2) == "2 dB below threshold"
    assert level_text(-np.inf) == "no path found"
    assert chance_text(1.0) == chance_text(0.999) == "≥ 99.9 %"
    assert chance_text(0.99899) == "99.8 %"
    assert chance_text(0.98999) == "98 %"
    assert chance_text(0.0) == "< 1 %"
    assert share_text(0.234) == "23 %"
    assert share_text(0.001) == "below 1 %"
    assert minus(-40.04, 1) == "−40.0"


def test_side_list_says_verdict_chance_margin_and_transmitter(solution):
    link = solution.links[0]
    row = receiver_row(link)
    assert row.split(" · ") == [
        link.verdict, chance_text(link.chance), f"{round(link.margin_db)} dB above threshold", "from on the wall",
    ]  # fmt: skip
    assert receiver_row(None) == "no transmitter shares its radio"


def test_a_long_list_keeps_the_least_likely_in_plan_order():
    chances = [1.0, 0.2, 0.995, 0.9, 1.0]
    best = [SimpleNamespace(chance=c) for c in chances] + [None]
    assert listed(best, 6) == [0, 1, 2, 3, 4, 5]
    assert listed(best, 3) == [1, 3, 5]


def test_every_verdict_has_a_shape_and_a_colour_of_its_own():
    assert set(VERDICT_MARKS) == {name for name, _ in VERDICT_CHANCES} | {"lost"}
    assert len({shape for shape, _ in VERDICT_MARKS.values()}) == len(VERDICT_MARKS)
    assert len({colour for _, colour in VERDICT_MARKS.values()}) == len(VERDICT_MARKS)


def test_path_points_have_the_length_of_the_path(solution):
    """Corners joined by straight lines are as long as the traced path, and the words name what it bounces off."""
    link, setting = solution.links[0], solution.setting
    ends = setting.scene.to_local(
        np.array([solution.plan.transmitters[0].position_m, solution.plan.receivers[0].position_m])
    )
    for p in range(link.paths.count):
        steps = np.diff(path_points(link, p, ends), axis=0)
        assert np.linalg.norm(steps, axis=1).sum() == pytest.approx(link.paths.length_m[p], abs=1e-9)
    words = [path_words(setting, link, p) for p in range(link.paths.count)]
    assert words[0] == "direct"
    assert "off wall z0" in words


def test_only_walls_before_the_viewer_are_left_out(solution):
    """From high on the −y, +x side of a room: its roof and two near walls go; floor, far walls and cupboard stay."""
    setting, scene = solution.setting, solution.setting.scene
    camera = three_quarter_view(scene.vertices_m, -np.pi / 2, area=AREA)
    interest = scene.to_local(np.array([[0.5, 0.5, 2.5], [7.5, 5.5, 0.5]]))
    hidden = in_the_way(setting, camera, interest)
    names = {scene.objects[part] for part in np.unique(scene.triangle_part[hidden])}
    assert names == {"wall_z1", "wall_y0", "wall_x1"}


def test_breadth_of_a_square_wall(solution):
    """Area over the diagonal of its box: 8 × 6 m over 10 m."""
    floor = solution.setting.scene.objects.index("wall_z0")
    facet = np.flatnonzero(solution.setting.facets.part == floor)
    assert breadth_m(solution.setting)[facet].tolist() == [pytest.approx(4.8)]


def test_a_slice_takes_the_strongest_and_stays_blank_where_none_is(volume):
    """Two volumes: the greater in each voxel; NaN in both stays NaN."""
    power = np.array(volume.mean_power_w)
    stronger, empty = power.copy(), power.copy()
    stronger[:4] *= 10.0
    stronger[5], empty[5] = 0.0, 0.0
    both = slice_power_dbm([replace(volume, mean_power_w=stronger), replace(volume, mean_power_w=empty)], height_m=1.2)
    layer = volume.mean_power_dbm[:, :, 2]
    assert np.allclose(both[:4], layer[:4] + 10.0, equal_nan=True)
    assert np.allclose(both[6:], layer[6:], equal_nan=True)
    assert np.isnan(both[5]).all()


def test_a_slice_mixes_no_radios(solution, volume):
    """A second transmitter on a radio that nobody listens to is left out, however strong."""
    plan = solution.plan
    other = replace(plan.transmitters[0], name="other", radio=replace(plan.transmitters[0].radio, name="unheard"))
    both = replace(plan, transmitters=(other, *plan.transmitters))
    volumes = [replace(volume, transmitter="other", mean_power_w=1e3 * volume.mean_power_w), volume]
    assert volumes_of_one_radio(both, volumes) == [volume]


def test_a_level_surface_of_a_free_source_is_where_friis_puts_it(volume):
    """Power of 1/r² about the middle: the skin of one level is a sphere of the right radius, to half a voxel."""
    grid = volume.grid
    centre = grid.low_m + 0.5 * grid.voxel_m * np.array(grid.shape)
    distance = np.linalg.norm(grid.centres_m(np.arange(grid.count)) - centre, axis=1).reshape(grid.shape)
    falling = replace(volume, mean_power_w=1e-6 / distance**2)
    (skin,) = level_surfaces(falling, np.array([-30.0 - 10 * np.log10(1.5**2)]))
    radius = np.linalg.norm(skin.points - centre, axis=1)
    assert radius.mean() == pytest.approx(1.5, abs=0.25)
    assert np.ptp(radius) < 0.5


def drawn(path):
    """Width, height and standard deviation of a PNG, read back."""
    from pyvista import read

    image = read(path)
    return *image.dimensions[:2], float(image.active_scalars.astype(float).std())


@pytest.mark.parametrize("picture", ["volume", "slice", "paths", "receivers"])
def test_each_picture_is_drawn(picture, solution, volume, tmp_path):
    """1600 × 1000, not blank, nothing but the picture left behind."""
    folder = tmp_path / "pictures"
    folder.mkdir()
    path = folder / f"{picture}.png"
    plan, setting = solution.plan, solution.setting
    if picture == "volume":
        given = pictures.draw_volume(plan, setting, volumes=[volume], path=path)
    elif picture == "slice":
        given = pictures.draw_slice(plan, setting, volumes=[volume], path=path, height_m=1.2)
    elif picture == "paths":
        given = pictures.draw_paths(solution, solution.links[0], path=path)
    else:
        given = pictures.draw_receivers(solution, path)
    assert given == path
    width, height, spread = drawn(path)
    assert (width, height) == (WIDTH, HEIGHT) == (1600, 1000)
    assert spread > 10.0
    assert [p.name for p in folder.iterdir()] == [path.name]


def test_a_link_without_a_path_is_drawn(solution, tmp_path):
    """A lost receiver has no paths to show; the picture says so instead of failing."""
    link = solution.links[0]
    none = np.zeros(0, dtype=int)
    lost = replace(
        link, paths=link.paths.take(none), path_power_dbm=link.path_power_dbm[none], mean_power_dbm=-np.inf,
        fade_power_dbm=-np.inf, chance=0.0, incidence_cos=np.zeros(0), path_phase_rad=np.zeros(0),
    )  # fmt: skip
    assert drawn(pictures.draw_paths(solution, lost, path=tmp_path / "lost.png"))[2] > 5.0


def test_a_failure_leaves_no_trace_and_the_old_picture(solution, volume, tmp_path, monkeypatch):
    """Stopped while the file is written: no leftover beside it, and the old file is whole."""
    folder = tmp_path / "pictures"
    folder.mkdir()
    path = folder / "receivers.png"
    path.write_bytes(b"old")

    def full(*_, **__):
        raise OSError("no space left")

    monkeypatch.setattr("rf3d.views.page.os.replace", full)
    with pytest.raises(OSError, match="no space left"):
        pictures.draw_receivers(solution, path)
    assert path.read_bytes() == b"old"
    assert [p.name for p in folder.iterdir()] == ["receivers.png"]


def test_refusals(solution, volume, tmp_path):
    """A height outside, a transmitter that was not traced, no volume, no power: said plainly, nothing written."""
    plan, setting, path = solution.plan, solution.setting, tmp_path / "refused.png"
    for height in (-0.5, 4.2, np.nan):
        with pytest.raises(InputError, match=r"from 0\.0 to 4\.0 m"):
            pictures.draw_slice(plan, setting, volumes=[volume], path=path, height_m=height)
    with pytest.raises(InputError, match='"on the wall"'):
        pictures.draw_volume(plan, setting, volumes=[volume], path=path, transmitter="balcony")
    with pytest.raises(InputError, match="no volume was traced"):
        pictures.draw_volume(plan, setting, volumes=[], path=path)
    with pytest.raises(InputError, match="no volume was traced"):
        pictures.draw_slice(plan, setting, volumes=[], path=path, height_m=1.2)
    silent = replace(volume, mean_power_w=np.zeros(volume.grid.shape))
    with pytest.raises(InputError, match="holds no power"):
        pictures.draw_volume(plan, setting, volumes=[silent], path=path)
    assert not path.exists()


def test_a_room_without_a_known_house_side_and_a_slice_nothing_reached(solution, volume, tmp_path):
    """Both are legitimate: axes instead of stage directions, and a blank plan."""
    assert solution.plan.house_azimuth_rad is None
    silent = replace(volume, mean_power_w=np.zeros(volume.grid.shape))
    path = pictures.draw_slice(
        solution.plan, solution.setting, volumes=[silent], path=tmp_path / "blank.png", height_m=1.2
    )
    assert drawn(path)[2] > 5.0
