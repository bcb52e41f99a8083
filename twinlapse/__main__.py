"""``python -m twinlapse``."""

from twinlapse.cli import main

main()
