"""Hatchling as the build backend, and one sentence in place of a resolver's puzzle.

pip looks at the dependencies before it looks at the Python they need: on an older Python it would
tell that some other package has no version to install.
"""

import sys

if sys.version_info < (3, 12):  # noqa: UP036
    found = ".".join(map(str, sys.version_info[:3]))
    raise SystemExit(f"transfer needs Python 3.12 or newer; this is Python {found}")

from hatchling.build import *  # noqa: F403
