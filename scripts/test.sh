#!/usr/bin/env bash
# Lint, types and every test, from a bare machine. Arguments are handed to pytest.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
source scripts/environment.sh
make_environment "[test]"
install_blender
say "ruff"
.venv/bin/ruff check .
.venv/bin/ruff format --check .
say "mypy"
.venv/bin/mypy
say "pytest"
.venv/bin/python -m pytest -n auto "$@"
