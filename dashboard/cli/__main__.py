"""Run the command line with `python -m dashboard.cli`."""

import sys

from dashboard.cli import main

sys.exit(main())
