"""Four pictures for the wall of a production office: power in space, power at a height, one link, all receivers.

Each function writes one PNG of 1600 × 1000 pixels and gives its path. The file is written beside
its target and renamed, so a failure leaves nothing half-written.
"""

from __future__ import annotations

from rf3d.views.link_pictures import draw_paths, draw_receivers
from rf3d.views.power_pictures import draw_slice, draw_volume

__all__ = ["draw_paths", "draw_receivers", "draw_slice", "draw_volume"]
