"""A path as a short story: what it meets on its way, at what angle, and what each meeting costs."""

from __future__ import annotations

import numpy as np

from rf3d.assessment.links import Link
from rf3d.assessment.places import spoken, whereabouts
from rf3d.assessment.run import Solution
from rf3d.propagation.fields import losses_db
from rf3d.propagation.kernels.crossings import DIFFRACTION, LOBE, OBLIQUE_FACE, REFLECTION
from rf3d.units import SPEED_OF_LIGHT_M_S, azimuth_elevation


def path_story(solution: Solution, link: Link, p: int) -> list[str]:
    """Lines that tell path p of a link: departure, every surface with its place, angle and loss, arrival."""
    setting, paths, house = solution.setting, link.paths, solution.plan.house_azimuth_rad
    transmitter = next(t for t in solution.plan.transmitters if t.name == link.transmitter)
    receiver = next(r for r in solution.plan.receivers if r.name == link.receiver)
    here = setting.scene.to_local(receiver.position_m)
    loss = losses_db(
        paths.take(np.array([p])), setting.facets, surfaces=setting.surfaces, transmitter=transmitter,
        frequency_hz=link.centre_hz, wedges=setting.wedges,
    )  # fmt: skip
    lines = [f"leaves {link.transmitter} {_angles(paths.departure[p])}"]
    for step, row in enumerate(range(paths.start[p], paths.start[p + 1])):
        name = spoken(setting.scene.objects[paths.part[row]])
        world = setting.scene.to_world(paths.point_m[row])
        place = whereabouts(paths.point_m[row] - here, float(world[2]), house)
        angle = f"{np.degrees(np.arccos(min(1.0, link.incidence_cos[row]))):.0f}° from square"
        cost = f"{loss[step]:.0f} dB"
        if paths.kind[row] == REFLECTION:
            lines.append(f"off {name} ({place}), {angle}, loses {cost}")
        elif paths.kind[row] == LOBE:
            lines.append(f"off {name}, a narrow piece that scatters ({place}), {angle}, loses {cost}")
        elif paths.kind[row] == DIFFRACTION:
            again = "then " if (paths.kind[paths.start[p] : row] == DIFFRACTION).any() else ""
            lines.append(f"{again}round an edge of {name} ({place}), loses {cost}")
        elif paths.kind[row] == OBLIQUE_FACE:
            lines.append(f"through one face of {name} ({place}), {angle}, loses {cost}")
        else:
            lines.append(f"through {name} ({place}), {angle}, loses {cost}")
    lines.append(
        f"arrives {_angles(paths.arrival[p])} after {paths.length_m[p]:.1f} m, "
        f"{1e9 * paths.length_m[p] / SPEED_OF_LIGHT_M_S:.0f} ns"
    )
    return lines


def _angles(way: np.ndarray) -> str:
    azimuth, elevation = azimuth_elevation(way)
    return f"at azimuth {np.degrees(azimuth):.0f}°, elevation {np.degrees(elevation):.0f}°"
