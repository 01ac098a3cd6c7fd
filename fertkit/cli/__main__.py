"""``python -m fertkit.cli`` is the command ``fertkit``."""

import sys

from fertkit.cli import main

sys.exit(main())
