"""``python -m autocell.cli``: the same as the command ``autocell``."""

import sys

from autocell.cli.main import main

sys.exit(main())
