"""`python -m controller.cli`: the same as the console script.

Knows: where the front door is.
Must not know: anything else.
"""

import sys

from controller.cli.main import main

sys.exit(main())
