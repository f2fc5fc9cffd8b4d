"""The command line: ``python -m pipeline`` is ``clutchlight``."""

import sys

from pipeline.cli.app import main

sys.exit(main())
