"""``python -m edge`` is ``livezero``."""

from edge.cli import main

main()
