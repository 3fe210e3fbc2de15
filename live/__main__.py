"""`python -m rimward.live`, the same as `rimward`."""

import sys

from .cli import main

sys.exit(main())
