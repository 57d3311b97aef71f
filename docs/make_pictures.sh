#!/usr/bin/env bash
# The pictures of the README, packed without a change a reader could see, into docs/pictures: drawn by `rf3d view`, but for
# the comparison with a full-wave solver, which docs/fullwave_picture.py plots from the test's table.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
drawn="$(mktemp -d)"
trap 'rm -rf "$drawn"' EXIT

# A link that is lost is a finding that says fail, exit code 4: it is drawn all the same.
draw() { .venv/bin/rf3d view "$@" || [ $? -eq 4 ]; }
draw meshes_demo/playhouse.toml --out "$drawn/playhouse" \
  --from "balcony rail" --to "lamp post on the revolve"
draw meshes_demo/arena.toml --out "$drawn/arena"
draw meshes_demo/blackbox.toml --out "$drawn/blackbox" \
  --from "grid centre" --to "costume pack in the dressing room"

PYTHONPATH=. .venv/bin/python docs/fullwave_picture.py "$drawn/fullwave_room.png"

mkdir -p docs/pictures
.venv/bin/python - "$drawn" <<'PY'
import sys
from pathlib import Path

from PIL import Image

KEPT = (
    "playhouse/receivers", "playhouse/paths", "playhouse/power_slice", "playhouse/power_volume", "arena/receivers",
    "blackbox/paths", "fullwave_room",
)
for name in KEPT:
    target = Path("docs/pictures") / f"{name.replace('/', '_')}.png"
    picture = Image.open(Path(sys.argv[1]) / f"{name}.png").convert("RGB")
    packed = picture.quantize(256, method=Image.Quantize.MAXCOVERAGE, kmeans=2, dither=Image.Dither.NONE)
    packed.save(target, optimize=True)
    print(f"{target}: {target.stat().st_size / 1e3:.0f} kB")
PY
