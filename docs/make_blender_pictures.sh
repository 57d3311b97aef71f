#!/usr/bin/env bash
# The pictures of blender.md, drawn by Blender on a screen that nobody sees, packed into docs/pictures.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
drawn="$(mktemp -d)"
trap 'rm -rf "$drawn"; kill "${screen:-0}" 2>/dev/null || true' EXIT
mkdir -p "$drawn/config" "$drawn/scripts"
display=":$((RANDOM % 900 + 100))"
Xvfb "$display" -screen 0 1600x1000x24 -nolisten tcp 2>/dev/null &
screen=$!
sleep 2
zip="$(.venv/bin/python scripts/build_blender_addon.py --out "$drawn" | sed -n 1p)"
BLENDER_USER_CONFIG="$drawn/config" BLENDER_USER_SCRIPTS="$drawn/scripts" DISPLAY="$display" LIBGL_ALWAYS_SOFTWARE=1 \
  blender --factory-startup --enable-event-simulate --window-geometry 0 0 1600 1000 -P docs/blender_pictures.py -- \
  "$zip" "$PWD/.venv/bin/python" "$drawn" "$PWD/meshes_demo/playhouse.toml"
if [ -e "$drawn/error.txt" ]; then
  cat "$drawn/error.txt" >&2
  exit 1
fi
mkdir -p docs/pictures
.venv/bin/python - "$drawn" <<'PY'
import sys
from pathlib import Path

from PIL import Image

for source in sorted(Path(sys.argv[1]).glob("blender_*.png")):
    picture = Image.open(source).convert("RGB")
    packed = picture.quantize(256, method=Image.Quantize.MAXCOVERAGE, kmeans=2, dither=Image.Dither.NONE)
    packed.save(Path("docs/pictures") / source.name, optimize=True)
    print(f"docs/pictures/{source.name}: {(Path('docs/pictures') / source.name).stat().st_size / 1e3:.0f} kB")
PY
