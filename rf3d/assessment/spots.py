"""What a link was judged by, its waves and the spots near its receiver, and the same link judged with losses besides.

One set of spots, channels, displacements and phases serves blame, people, bodies and answers,
so that what is compared differs in nothing else.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rf3d.assessment.air import AirAt
from rf3d.assessment.fading import Neighbourhood, draw_neighbourhood, power_samples
from rf3d.assessment.links import Link, as_judged, chance_of_holding, sent_dbm
from rf3d.assessment.waves import Waves, arrivals, waves
from rf3d.jobs import batch_generator
from rf3d.propagation.paths import Setting
from rf3d.radio.radios import Receiver, Transmitter
from rf3d.units import FloatArray, dbm_to_watts, from_db, to_db


class Spots(NamedTuple):
    """What a link was judged by: its waves, and the spots near its receiver."""

    wave: Waves
    near: Neighbourhood


def judged_by(
    setting: Setting,
    link: Link,
    *,
    transmitter: Transmitter,
    receiver: Receiver,
    seed: int,
    position_tolerance_m: float,
) -> Spots:
    """The waves of a link and the spots, channels, displacements and phases it was judged by (same seed)."""
    receiver = as_judged(receiver, link)
    arrived = arrivals(setting, link.paths, transmitter=transmitter, receiver=receiver)
    wave = waves(setting, arrived, transmitter=transmitter, receiver=receiver, diffuse=link.diffuse)
    near = draw_neighbourhood(
        setting, wave.paths, receiver_m=setting.scene.to_local(receiver.position_m), centre_hz=link.centre_hz,
        incidence_cos=wave.incidence_cos, position_tolerance_m=position_tolerance_m, generator=batch_generator(seed, 2),
    )  # fmt: skip
    return Spots(wave, near)


def judge(
    spots: Spots, loss_db: FloatArray, scattered_loss_db: float, *, transmitter: Transmitter, receiver: Receiver,
    air: AirAt | None, seed: int,
) -> tuple[float, float]:  # fmt: skip
    """1 % point in dBm and chance of holding of a link whose P paths lose ``loss_db`` (P,) more than they do in it."""
    sent = sent_dbm(transmitter, receiver)
    amplitude = np.sqrt(from_db(-loss_db))[:, None] * spots.wave.amplitude[:, :-1]
    scattered = float(spots.wave.scattering.sum() * from_db(-scattered_loss_db))
    samples = power_samples(spots.near, amplitude, diffuse_power=scattered)
    chance = chance_of_holding(samples * dbm_to_watts(sent), radio=transmitter.radio, air=air, seed=seed)
    return float(to_db(np.percentile(samples, 1.0)) + sent), chance
