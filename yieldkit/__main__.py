"""The command, where no script folder is on the path: ``python -m yieldkit``."""

import sys

from yieldkit.cli import main

sys.exit(main())
