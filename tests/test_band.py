"""A band of channels is carried through few frequencies: the same fields as channel by channel."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rf3d.assessment.run import ready
from rf3d.assessment.traced import local_positions
from rf3d.jobs import Jobs
from rf3d.plan import load_plan, load_scene
from rf3d.propagation.fields import fields
from rf3d.propagation.paths import EDGES_AT_HZ, find_paths

DEMO = Path(__file__).parent.parent / "meshes_demo"


@pytest.mark.parametrize("venue", ["playhouse", "blackbox"])
def test_many_channels_are_as_one_by_one(venue):
    """Every path of a demo venue, layered walls, edges and small facets among them.

    Within 5e-5 of the field of the strongest path at the same receiver, 86 dB below it.
    """
    plan = load_plan(DEMO / f"{venue}.toml")
    setting = ready(plan, load_scene(plan))
    transmitter, receivers = plan.transmitters[0], plan.receivers[:5]
    channels = transmitter.radio.channels_hz
    assert len(channels) > 28, "else nothing is interpolated"
    paths, _ = find_paths(
        setting, local_positions(setting.scene, [transmitter.position_m]),
        local_positions(setting.scene, [receiver.position_m for receiver in receivers]),
        linked=np.ones((1, len(receivers)), dtype=bool), max_reflections=3, rays=20_000, seed=1, jobs=Jobs(),
        edges_at_hz=EDGES_AT_HZ,
    )  # fmt: skip
    assert paths.count > 500

    def at(frequencies_hz: np.ndarray) -> np.ndarray:
        return fields(
            paths, setting.facets, surfaces=setting.surfaces, transmitters=(transmitter,), receivers=receivers,
            frequencies_hz=frequencies_hz, wedges=setting.wedges,
        ).arriving  # fmt: skip

    together = at(channels)
    strongest = np.zeros(len(receivers))
    np.maximum.at(strongest, paths.receiver, np.abs(together).max(axis=(1, 2)))
    least = 5e-5 * strongest[paths.receiver]
    for some in np.array_split(np.arange(1, len(channels) - 1), 8):
        # The ends of the band go along: how small a facet is goes by the highest frequency.
        few = np.concatenate([[0, len(channels) - 1], some[:: max(1, len(some) // 4)]])
        assert 3 < len(few) <= 20, "else they are interpolated too"
        assert (np.abs(together[:, few] - at(channels[few])).max(axis=(1, 2)) <= least).all()
