"""``python -m pipeline`` is the command ``clutchlight``."""

import sys

from pipeline.cli.app import main

sys.exit(main())
