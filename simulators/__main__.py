"""`python -m simulators`."""

import sys

from .cli import main

sys.exit(main())
