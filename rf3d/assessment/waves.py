"""The waves of one link: what its paths bring on every channel, and what its receiver's antenna makes of it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rf3d.propagation.diffuse import Diffuse
from rf3d.propagation.fields import Fields, fields, received, wall_losses_db
from rf3d.propagation.paths import PathSet, Setting
from rf3d.radio.bodies import worn_loss_db
from rf3d.radio.radios import Receiver, Transmitter
from rf3d.units import ComplexArray, FloatArray, from_db


class Waves(NamedTuple):
    """What the P paths of one link carry, strongest first.

    Attributes
    ----------
    paths : PathSet
        Without those whose walls take more than ``Setting.most_wall_loss_db``, and those that carry nothing.
    amplitude : (P, F + 1) complex128
        On the F channels of the transmitter's radio, and at its centre frequency.
    incidence_cos : (I,) float64
    scattering : (K,) float64
        Power ratio of what each rough surface scatters.
    """

    paths: PathSet
    amplitude: ComplexArray
    incidence_cos: FloatArray
    scattering: FloatArray


class Arrivals(NamedTuple):
    """What arrives over the P paths of one link: fields on all channels and, last, at the centre.

    Attributes
    ----------
    paths : PathSet
        Of transmitter 0 and receiver 0.
    fields : Fields
    loss_db : (P,) float64
        What walls take from each path.
    """

    paths: PathSet
    fields: Fields
    loss_db: FloatArray


def arrivals(setting: Setting, paths: PathSet, *, transmitter: Transmitter, receiver: Receiver) -> Arrivals:
    """What arrives over the paths of one link (all of ``paths`` belong to it), whichever way the receiver is turned."""
    radio = transmitter.radio
    here = paths.take(np.arange(paths.count))
    own = PathSet(
        **{**here.__dict__, "transmitter": np.zeros_like(here.transmitter), "receiver": np.zeros_like(here.receiver)}
    )
    answer = fields(
        own,
        setting.facets,
        surfaces=setting.surfaces,
        transmitters=(transmitter,),
        receivers=(receiver,),
        frequencies_hz=np.append(radio.channels_hz, radio.centre_hz),
        wedges=setting.wedges,
    )
    loss = wall_losses_db(
        own, surfaces=setting.surfaces, frequency_hz=radio.centre_hz, incidence_cos=answer.incidence_cos
    )
    return Arrivals(own, answer, loss)


def waves(
    setting: Setting,
    arrived: Arrivals,
    *,
    transmitter: Transmitter,
    receiver: Receiver,
    diffuse: Diffuse,
) -> Waves:
    """Amplitudes of the paths of one link; who wears a receiver faces its boresight."""
    radio, own, answer = transmitter.radio, arrived.paths, arrived.fields
    amplitude, scattering = received(answer.arriving, own, receivers=(receiver,)), diffuse.power
    if receiver.worn:
        outward = receiver.axes[0]
        angle = np.arccos(np.clip(own.arrival @ outward, -1.0, 1.0))
        amplitude = amplitude * np.sqrt(from_db(-worn_loss_db(angle, radio.centre_hz, worst=False)))[:, None]
        # What is scattered comes from all round.
        scattering = scattering * from_db(-worn_loss_db(0.5 * np.pi, radio.centre_hz, worst=False))
    order = np.argsort(-np.abs(amplitude[:, -1]), kind="stable")
    order = order[arrived.loss_db[order] <= setting.most_wall_loss_db]
    order = order[(amplitude[order] != 0.0).any(axis=1)]  # a lobe or an antenna may send nothing at all that way
    rows = own.take(order)
    cosine = answer.incidence_cos[
        np.repeat(own.start[:-1][order] - rows.start[:-1], np.diff(rows.start)) + np.arange(rows.start[-1])
    ]
    return Waves(rows, amplitude[order], cosine, scattering)
