#!/usr/bin/env bash
# The main job on the demo venues, from a bare machine: environment, installation, `rf3d demo`.
# Arguments are handed to `rf3d demo`, e.g. bash scripts/demo.sh --venue arena
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
source scripts/environment.sh
make_environment ""
say "running rf3d demo $*"
exec .venv/bin/rf3d demo "$@"
