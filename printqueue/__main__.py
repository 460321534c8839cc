"""`python -m printqueue`."""

import sys

from printqueue.cli.main import main

sys.exit(main())
