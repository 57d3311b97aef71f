"""``python -m rf3d`` is the command ``rf3d``."""

from rf3d.cli import main

main()
